//! Which string a right note came from, told of whole takes that the synthesiser plays.
//!
//! The truth is where the synthesiser was told to play; its strings are as stiff as those of the
//! design notes (`hearing.md`, section 2).

mod support;

use doublecheck::lick::Lick;
use doublecheck::practice::judge;
use doublecheck::practice::judge::judge_take;
use doublecheck::practice::verdict::HeardNote;
use doublecheck::practice::verdict::TakeJudgement;
use doublecheck::practice::verdict::Verdict;
use doublecheck::synth::Room;
use doublecheck::synth::performance::Manner;
use doublecheck::synth::performance::Performance;
use doublecheck::theory::fretboard::Fret;
use doublecheck::theory::fretboard::StringNumber;
use support::cd_rate;
use support::listened;

fn lick(frets: &[&str], head: &str) -> Lick {
    let step = |marks: &&str| format!("  {{ beats = 1, frets = \"{marks}\" }},\n");
    let steps: String = frets.iter().map(step).collect();
    let text = format!(
        "title = \"Two towpaths\"\nkey = \"C major\"\ntempo = 72\nmeter = \"4/4\"\n{head}steps = [\n{steps}]\n"
    );
    Lick::parse(&text, "two-towpaths.toml").expect("a lick")
}

/// What is told of `played` where `asked` was written.
fn judged(asked: &[&str], played: &[&str], head: &str) -> TakeJudgement {
    let rate = cd_rate();
    let performance = Performance::new(&lick(played, head).expected(), &Manner::default());
    let samples = performance.render(rate, &Room::default(), 5);
    let take = listened(&samples, rate);
    judge_take(&lick(asked, head).expected(), &take, &judge::Settings::default())
}

fn notes(take: &TakeJudgement) -> impl Iterator<Item = (usize, &HeardNote)> {
    take.steps.iter().flat_map(|step| step.heard.iter().map(|heard| (step.step, heard)))
}

const ASKED: [&str; 6] =
    ["x x x 7 x 7", "x 5 4 x x x", "3 x 5 x x x", "x x x x 8 7", "x 7 x 6 x x", "x x x 4 x 3"];

#[test]
fn what_is_played_where_it_is_written_brings_no_remark() {
    for head in ["", "capo = 2\n", "tuning = \"D2 A2 D3 G3 B3 E4\"\n"] {
        let take = judged(&ASKED, &ASKED, head);
        for (step, heard) in notes(&take) {
            assert_eq!(heard.played_elsewhere(), None, "step {step} {head}{heard:?}");
        }
        let decided = notes(&take).filter(|(_, heard)| heard.played_at.is_some()).count();
        assert!(decided >= 7, "{head}: only {decided} of 12 decided");
    }
}

#[test]
fn a_right_note_on_another_string_is_told_and_is_no_fault() {
    let mut played = ASKED;
    // C5 on the second string instead of the first, D3 on the sixth instead of the fifth.
    played[0] = "x x x 9 13 x";
    let mut asked = ASKED;
    asked[0] = "x x x 9 x 8";
    played[1] = "10 x 7 x x x";
    asked[1] = "x 5 7 x x x";
    let take = judged(&asked, &played, "");
    assert!(take.steps.iter().all(|step| step.verdict == Verdict::Right), "{take:?}");
    let told: Vec<_> =
        notes(&take).filter_map(|(step, heard)| Some((step, heard.played_elsewhere()?))).collect();
    let at = |string, fret| (StringNumber(string), Fret(fret));
    assert_eq!(told, [(1, at(2, 13)), (2, at(6, 10))]);
}

/// B of the fourth string at the seventh fret is that of the third at the second within a tenth:
/// nobody can tell.
#[test]
fn strings_as_stiff_as_each_other_stay_undecided() {
    let same = ["x x 7 x x x", "x x 9 x x x", "x x 5 x x x"];
    let take = judged(&same, &same, "");
    assert_eq!(notes(&take).count(), 3);
    for (step, heard) in notes(&take) {
        assert_eq!(heard.played_at, None, "step {step}");
    }
}

#[test]
fn harmonics_slides_and_unisons_are_not_told() {
    let steps = ["x x x x x <12>", "x x x 5s7 x x", "x x x x 5 0", "x x x x 8 7"];
    let take = judged(&steps, &steps, "");
    assert!(take.steps.iter().all(|step| step.verdict == Verdict::Right), "{take:?}");
    for (step, heard) in notes(&take).filter(|(step, _)| *step <= 3) {
        assert_eq!(heard.played_at, None, "step {step}");
    }
    let mut ordinary = notes(&take).filter(|(step, _)| *step == 4);
    assert!(ordinary.any(|(_, heard)| heard.played_at.is_some()), "{take:?}");
}

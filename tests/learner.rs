//! Learners do not play straight through: they strike again what was wrong, go back, begin anew, leave a step
//! out. What they play is written out as a lick and synthesised; what is asked for is another.
//!
//! Double stops `A` to `F` are asked for, in this order; a small letter is struck with its upper note a fret too
//! high. That a player who goes back means the later strike is common practice.
#![expect(clippy::unwrap_used, reason = "a failed unwrap is a failed test")]

mod support;

use std::collections::BTreeMap;
use std::num::NonZeroUsize;

use doublecheck::engine::Listener;
use doublecheck::engine::Take;
use doublecheck::lick::Lick;
use doublecheck::lick::expected::Expected;
use doublecheck::practice::judge;
use doublecheck::practice::judge::judge_take;
use doublecheck::practice::pass::Delay;
use doublecheck::practice::pass::Pace;
use doublecheck::practice::pass::Told;
use doublecheck::practice::session::News;
use doublecheck::practice::session::Session;
use doublecheck::practice::session::Settings;
use doublecheck::practice::verdict::Finding;
use doublecheck::practice::verdict::StepJudgement;
use doublecheck::practice::verdict::TakeJudgement;
use doublecheck::practice::verdict::Verdict;
use doublecheck::synth::Room;
use doublecheck::synth::performance::Manner;
use doublecheck::synth::performance::Performance;
use doublecheck::units::SampleRate;

/// Frets of the third string and of the first.
const DOUBLE_STOPS: [(u8, u8); 6] = [(4, 3), (5, 5), (7, 7), (9, 8), (11, 10), (12, 12)];

fn rate() -> SampleRate {
    SampleRate::new(48_000).unwrap()
}

/// What these letters are as a lick, a step every so many beats.
fn lick(letters: &str, beats: u32) -> Expected {
    lick_of("", &steps(letters, &beats.to_string()))
}

fn steps(letters: &str, beats: &str) -> String {
    let step = |letter: char| {
        let (third, first) = DOUBLE_STOPS[letter.to_ascii_uppercase() as usize - 'A' as usize];
        let first = first + u8::from(letter.is_ascii_lowercase());
        format!("{{ beats = {beats}, frets = \"x x x {third} x {first}\" }},\n")
    };
    letters.chars().map(step).collect()
}

fn lick_of(swing: &str, steps: &str) -> Expected {
    let lick = format!(
        "title = \"Weir\"\nkey = \"C major\"\ntempo = 96\nmeter = \"4/4\"\n{swing}\nsteps = [\n{steps}]\n"
    );
    Lick::parse(&lick, "weir.toml").unwrap().expected()
}

fn played(letters: &str) -> Vec<f32> {
    played_every(1, letters)
}

/// Followed by as much silence as the last step is waited for.
fn played_every(beats: u32, letters: &str) -> Vec<f32> {
    let sound = Performance::new(&lick(letters, beats), &Manner::default());
    let sound = sound.render(rate(), &Room::noisy(45.0), 11);
    [vec![0.0; 24_000], sound, vec![0.0; 168_000]].concat()
}

/// A letter for every step: as it is asked for where it is right, small where it is wrong, `-` where it was not
/// struck, `?` where it is anything else.
fn letters(verdict: impl Fn(usize) -> Option<Verdict>) -> String {
    let letter = |(i, letter): (usize, char)| match verdict(i + 1) {
        Some(Verdict::Right) => letter,
        Some(Verdict::Wrong) => letter.to_ascii_lowercase(),
        Some(Verdict::NotPlayed) | None => '-',
        Some(Verdict::Incomplete | Verdict::Unsure) => '?',
    };
    "ABCDEF".char_indices().map(letter).collect()
}

fn heard(played: &[f32]) -> Take {
    let mut listener = Listener::of_recording(rate());
    listener.push(played, |_| {});
    listener.finish(|_| {})
}

fn judged(played: &[f32], pass: Option<usize>) -> TakeJudgement {
    let pass = pass.and_then(NonZeroUsize::new);
    let settings = judge::Settings { pass, ..Default::default() };
    judge_take(&lick("ABCDEF", 1), &heard(played), &settings)
}

fn told(steps: &[StepJudgement]) -> String {
    letters(|step| steps.get(step - 1).map(|step| step.verdict))
}

fn checked(played: &[f32]) -> String {
    told(&judged(played, None).steps)
}

/// Every pass through the lick that is told of a recording, and which of them was judged.
fn passes(played: &[f32], pass: Option<usize>) -> (Vec<String>, usize) {
    let take = judged(played, pass);
    let others = take.other_passes.iter().map(|other| (other.number, told(&other.steps)));
    let all: BTreeMap<usize, String> = others.chain([(take.pass, told(&take.steps))]).collect();
    assert!(all.keys().copied().eq(1..=all.len()), "numbered as they come");
    (all.into_values().collect(), take.pass)
}

/// What the screen shows in the end, how often it was told otherwise first, and passes finished.
fn practised(played: &[f32], repeat: usize) -> (String, usize, usize) {
    practised_to(played, repeat, usize::MAX)
}

/// The same beside a click that dies after so many samples.
fn practised_to(played: &[f32], repeat: usize, click_dies: usize) -> (String, usize, usize) {
    let pace = if click_dies == usize::MAX { Pace::Free } else { Pace::Click };
    let settings = Settings { pace, repeat, ..Settings::at_leisure(rate()) };
    let mut session = Session::new(lick("ABCDEF", 1), settings);
    let mut shown: BTreeMap<usize, StepJudgement> = BTreeMap::new();
    let (mut meant, mut passes) = (0, 0);
    for block in played.chunks(480) {
        let mut news = Vec::new();
        if session.pass().is_none() && !session.is_over() {
            session.begin(&mut news);
            session.click_begins(24_000.0);
        }
        if session.position().0 as usize >= click_dies {
            session.lose_click();
        }
        session.push(block, &mut news);
        for news in news {
            match news {
                News::Pass(Told::Step(found)) => {
                    shown.insert(found.judgement.step, found.judgement);
                }
                News::Pass(Told::TakenBack(step)) => {
                    shown.remove(&step);
                }
                News::Pass(Told::Meant { step, .. }) => {
                    shown.remove(&step);
                    meant += 1;
                }
                News::Over(_) => passes += 1,
                News::Pass(_) | News::Hole { .. } => {}
            }
        }
    }
    (letters(|step| shown.get(&step).map(|judgement| judgement.verdict)), meant, passes)
}

#[test]
fn what_is_played_straight_through_is_told_as_it_is() {
    for straight in ["ABCDEF", "AbCdEF", "abcdef", "ABCDEf"] {
        let sound = played(straight);
        assert_eq!(checked(&sound), straight);
        assert_eq!(practised(&sound, 1), (straight.to_owned(), 0, 1));
    }
}

#[test]
fn what_was_wrong_and_is_struck_again_counts() {
    for mended in ["AbBCDEF", "ABCDeEF", "aABcCDEF", "ABccCDEF", "ABCDEfF"] {
        let sound = played(mended);
        assert_eq!(checked(&sound), "ABCDEF", "{mended}");
        let (shown, _, passes) = practised(&sound, 1);
        assert_eq!((shown.as_str(), passes), ("ABCDEF", 1), "{mended}");
    }
}

#[test]
fn a_player_who_goes_back_or_begins_anew_is_followed() {
    for (back, last) in [("ABCDeCDEF", "ABCDEF"), ("ABCdABCDEF", "ABCDEF"), ("ABcABcDEF", "ABcDEF")]
    {
        let (shown, _, passes) = practised(&played(back), 1);
        assert_eq!((shown.as_str(), passes), (last, 1), "{back}");
    }
}

#[test]
fn a_step_left_out_moves_no_other() {
    for (struck, shown) in [("ABDEF", "AB-DEF"), ("ACDEF", "A-CDEF"), ("ABEF", "AB--EF")] {
        let sound = played(struck);
        assert_eq!(checked(&sound), shown);
        assert_eq!(practised(&sound, 1).0, shown);
    }
}

/// A step every three seconds, then all of it in tempo: the lick is what is played at the end.
#[test]
fn what_is_shown_step_by_step_is_no_run() {
    for run in ["ABCDEF", "ABcDEF"] {
        let lesson = [played_every(5, "ABCDEF"), played(run)].concat();
        assert_eq!(checked(&lesson), run);
        assert_eq!(passes(&lesson, None).0, [run]);
    }
    assert_eq!(checked(&played_every(5, "ABcDEF")), "ABcDEF", "nothing but that");
}

#[test]
fn every_pass_through_the_lick_in_a_recording_is_told() {
    let in_a_row = played("ABcDEFABCDEFaBCDEf");
    assert_eq!(
        passes(&in_a_row, None),
        (["ABcDEF", "ABCDEF", "aBCDEf"].map(str::to_owned).into(), 2)
    );
    assert_eq!(passes(&in_a_row, Some(3)).1, 3, "the one asked for");
    assert_eq!(passes(&in_a_row, Some(4)).1, 2, "the best, where there is none of that number");
    let cases: [(&str, &[&str]); 5] = [
        ("ABCABcDEFABCDeF", &["ABcDEF", "ABCDeF"]),
        ("ABCDEFDBFACEBDABcDEF", &["ABCDEF", "ABcDEF"]),
        ("abcdefABCDEF", &["abcdef", "ABCDEF"]),
        ("ABCDABCDEF", &["ABCD--", "ABCDEF"]),
        ("ABCABCDEFDEFABC", &["ABCDEF"]),
    ];
    for (played_so, told) in cases {
        assert_eq!(passes(&played(played_so), None).0, told, "{played_so}");
    }
}

/// The last step ends with the notes that the first begins with.
#[test]
fn a_pass_does_not_begin_with_the_hammer_on_of_the_one_before() {
    let lick = lick_of(
        "",
        "{ beats = 1, frets = \"x x x 11 x 10\" }, { beats = 1, frets = \"x x x 9 x 8\" },
         { beats = 1, frets = \"x x x 7 x 7\" }, { beats = 2, frets = \"x x x 7h11 x 10\" }",
    );
    let sound = Performance::new(&lick, &Manner::default());
    let sound = sound.render(rate(), &Room::noisy(45.0), 11);
    let played = [sound, vec![0.0; 144_000]].concat().repeat(3);
    let take = judge_take(&lick, &heard(&played), &judge::Settings::default());
    assert_eq!(take.other_passes.len(), 2);
    let others = take.other_passes.iter().flat_map(|pass| &pass.steps);
    for step in take.steps.iter().chain(others) {
        assert_eq!(step.verdict, Verdict::Right, "{step:?}");
    }
}

/// Half a lick, and then real speech (the test sounds of Debian's package alsa-utils).
#[test]
fn talk_does_not_make_a_pass_of_a_false_start() {
    let folder = std::path::Path::new("/usr/share/sounds/alsa");
    for name in ["Front_Left.wav", "Rear_Right.wav", "Side_Left.wav"] {
        let Some((speech, at)) = support::recorded(&folder.join(name)) else {
            support::skip::skip(format!("there is no {name} in {}", folder.display()));
            return;
        };
        assert_eq!(at, rate());
        let all = [played("ABCDEF"), played("ABC"), speech.repeat(2), played("ABcDEF")].concat();
        assert_eq!(passes(&all, None).0, ["ABCDEF", "ABcDEF"], "{name}");
    }
}

#[test]
fn strikes_of_another_pass_are_told_with_its_number() {
    let take = judged(&played("CABcDEFABCDEF"), None);
    let numbers: Vec<Option<usize>> = take.unmatched.iter().map(|strike| strike.pass).collect();
    assert_eq!(numbers, [[None].as_slice(), &[Some(1); 6]].concat());
    assert!(take.tempo_bpm.is_some_and(|tempo| (tempo - 96.0).abs() < 0.5));
}

/// At the player's pace from the middle of a pass on, it goes on where it was.
#[test]
fn where_the_click_dies_the_next_step_is_due() {
    let sound = played("ABCdEF");
    assert_eq!(practised_to(&sound, 1, 24_000 + 24 * 3750), ("ABCdEF".to_owned(), 0, 1));
}

#[test]
fn passes_still_follow_one_another() {
    for passes in ["ABCDEFABCDEF", "ABCDEfABCDEF"] {
        let (shown, _, n) = practised(&played(passes), 2);
        assert_eq!((shown.as_str(), n), ("ABCDEF", 2), "{passes}");
    }
}

/// What is played beside a click: every sign is half a beat, a letter a strike, and the click of the first step
/// comes at `|`. What the screen shows in the end, and the pass, with how many half beats each step was late.
fn beside_click(played: &str) -> (String, String, Vec<i64>) {
    delayed(played, Delay::Measured(0.0))
}

/// The same, as much being known of the delay of the click.
fn delayed(played: &str, delay: Delay) -> (String, String, Vec<i64>) {
    let half_s = 30.0 / 96.0;
    let (before, _) = played.split_once('|').unwrap();
    let signs = played.replace('|', "");
    let struck: String = signs.chars().filter(char::is_ascii_alphabetic).collect();
    let at: Vec<usize> = signs.match_indices(char::is_alphabetic).map(|(at, _)| at).collect();
    let mut sound = Performance::new(&lick(&struck, 1), &Manner::default());
    for note in &mut sound.notes {
        let at_s = half_s * at[note.step - 1] as f64;
        note.sound.start_s += at_s - 2.0 * half_s * (note.step - 1) as f64;
        let next = at.get(note.step).map_or(2, |next| next - at[note.step - 1]);
        note.sound.length_s = half_s * next as f64 - 0.02;
    }
    sound.length_s = half_s * signs.len() as f64 + 1.0;
    let sound = sound.render(rate(), &Room::noisy(45.0), 11);
    let samples = [vec![0.0; 24_000], sound, vec![0.0; 168_000]].concat();
    let settings = Settings { pace: Pace::Click, delay, ..Settings::at_leisure(rate()) };
    let mut session = Session::new(lick("ABCDEF", 1), settings);
    let mut news = Vec::new();
    session.begin(&mut news);
    session.click_begins(24_000.0 + 48_000.0 * half_s * before.len() as f64);
    samples.chunks(480).for_each(|block| session.push(block, &mut news));
    let mut shown: BTreeMap<usize, Verdict> = BTreeMap::new();
    let mut over = None;
    for news in news {
        match news {
            News::Pass(Told::Step(found)) => {
                shown.insert(found.judgement.step, found.judgement.verdict);
            }
            News::Pass(Told::TakenBack(step) | Told::Meant { step, .. }) => {
                shown.remove(&step);
            }
            News::Over(pass) => over = Some(pass.judgement),
            News::Pass(_) | News::Hole { .. } => {}
        }
    }
    let over = over.expect("the click ends a pass");
    let late = over.steps.iter().filter_map(|step| step.timing_ms);
    (
        letters(|step| shown.get(&step).copied()),
        letters(|step| over.steps.get(step - 1).map(|step| step.verdict)),
        late.map(|ms| (ms / (1000.0 * half_s)).round() as i64).collect(),
    )
}

/// Who swings eighths keeps the tempo and is not late off every beat (common practice), beside a click or not.
#[test]
fn eighths_swung_otherwise_than_written_are_told_once() {
    let eighths = steps("ABCDEFEDCBAB", "0.5");
    let [even, swung] = ["", "swing = \"2:1\""].map(|swing| lick_of(swing, &eighths));
    for (written, played, share) in
        [(&even, &swung, Some(2.0 / 3.0)), (&swung, &even, Some(0.5)), (&swung, &swung, None)]
    {
        let sound = Performance::new(played, &Manner::default());
        let sound = sound.render(rate(), &Room::noisy(45.0), 11);
        let samples = [vec![0.0; 24_000], sound, vec![0.0; 168_000]].concat();
        let alone = judge_take(written, &heard(&samples), &judge::Settings::default());
        assert!(alone.tempo_bpm.is_some_and(|tempo| (tempo - 96.0).abs() < 0.5), "{alone:?}");
        let beside = |delay: Delay| {
            let settings = Settings { pace: Pace::Click, delay, ..Settings::at_leisure(rate()) };
            let mut session = Session::new(written.clone(), settings);
            let mut news = Vec::new();
            session.begin(&mut news);
            session.click_begins(24_000.0);
            samples.chunks(480).for_each(|block| session.push(block, &mut news));
            let over = news.into_iter().find_map(|news| match news {
                News::Over(pass) => Some(pass.judgement),
                _ => None,
            });
            over.expect("the click ends a pass")
        };
        for take in [alone, beside(Delay::Measured(0.0)), beside(Delay::Estimated)] {
            for step in &take.steps {
                assert_eq!(step.verdict, Verdict::Right, "{step:?}");
                assert!(step.timing_ms.is_some_and(|ms| ms.abs() < 12.0), "{step:?}");
            }
            let told = match take.findings[..] {
                [] => None,
                [Finding::Swung { played, .. }] => Some(played),
                _ => panic!("{:?}", take.findings),
            };
            assert_eq!(told.is_some(), share.is_some(), "{told:?}");
            assert!((told.unwrap_or(0.0) - share.unwrap_or(0.0)).abs() < 0.01, "{told:?}");
        }
    }
}

/// Right and wrong are the hand's, early and late the click's: a teacher tells them apart (common practice).
#[test]
fn who_is_off_the_click_is_told_what_he_plays_and_how_late() {
    for (played, late) in [
        ("....|A.b.C.D.E.F.", 0),
        ("....|..A.b.C.D.E.F.", 2),
        ("....|.A.b.C.D.E.F.", 1),
        ("..A.|b.C.D.E.F.", -2),
        ("....|......A.b.C.D.E.F.", 6),
    ] {
        let found = beside_click(played);
        assert_eq!(found, ("AbCDEF".to_owned(), "AbCDEF".to_owned(), vec![late; 6]), "{played}");
    }
}

/// No loudspeaker takes a beat.
#[test]
fn what_is_a_beat_late_is_the_player_s_where_the_delay_is_unknown() {
    let (_, _, late) = delayed("....|..A.B.C.D.E.F.", Delay::Estimated);
    assert_eq!(late, [2; 6]);
}

#[test]
fn who_drops_out_is_in_again_where_the_click_is() {
    let found = beside_click("....|A.B.....E.F.");
    assert_eq!(found, ("AB--EF".to_owned(), "AB--EF".to_owned(), vec![0; 4]));
}

#[test]
fn between_two_clicks_what_was_wrong_is_mended() {
    let found = beside_click("....|A.bBC.dDE.F.");
    assert_eq!(found, ("ABCDEF".to_owned(), "ABCDEF".to_owned(), vec![0, 1, 0, 1, 0, 0]));
    // And what was right stays where it was in time.
    assert_eq!(beside_click("....|A.BBC.D.E.F.").0, "ABCDEF");
}

#[test]
fn who_begins_before_the_count_in_is_over_begins_again() {
    let found = beside_click("..A.B...|A.B.C.d.E.F.");
    assert_eq!(found, ("ABCdEF".to_owned(), "ABCdEF".to_owned(), vec![0; 6]));
}

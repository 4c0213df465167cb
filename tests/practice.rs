//! Sessions: fed by recordings without any sound card, and live beside a sound server made for it.
#![expect(clippy::unwrap_used, reason = "a failed unwrap is a failed test")]

mod support;

use std::collections::BTreeMap;

use doublecheck::engine::Listener;
use doublecheck::engine::Stage;
use doublecheck::engine::Take;
use doublecheck::lick;
use doublecheck::lick::Lick;
use doublecheck::lick::expected::Expected;
use doublecheck::practice::click::Score;
use doublecheck::practice::click::add_click;
use doublecheck::practice::judge;
use doublecheck::practice::judge::judge_take;
use doublecheck::practice::pass::Delay;
use doublecheck::practice::pass::Pace;
use doublecheck::practice::pass::Told;
use doublecheck::practice::session::News;
use doublecheck::practice::session::PassOver;
use doublecheck::practice::session::Session;
use doublecheck::practice::session::Settings;
use doublecheck::practice::verdict::Finding;
use doublecheck::practice::verdict::HeardNote;
use doublecheck::practice::verdict::Verdict;
use doublecheck::synth::Room;
use doublecheck::synth::performance::Manner;
use doublecheck::synth::performance::Performance;
use doublecheck::units::Cents;
use doublecheck::units::SampleCount;
use doublecheck::units::SampleIndex;
use doublecheck::units::SampleRate;
use support::truth;
use support::truth::Truth;

/// Blocks of some 10 ms, as sound cards hand them over.
const BLOCK: usize = 480;

fn rate() -> SampleRate {
    SampleRate::new(48_000).unwrap()
}

fn recorded(name: &str) -> (Lick, Vec<f32>, SampleRate) {
    let folder = truth::folder();
    let lick = lick::find(folder.join(format!("{name}.toml")).to_str().unwrap()).unwrap();
    let (samples, rate) = support::recorded(&folder.join(format!("{name}.wav"))).unwrap();
    (lick, samples, rate)
}

/// What `check` hears: all at once.
fn offline(samples: &[f32], rate: SampleRate) -> Take {
    let mut listener = Listener::new(rate);
    listener.push(samples, |_| {});
    listener.finish(|_| {})
}

fn verdicts(over: &PassOver) -> Vec<(usize, Verdict)> {
    over.judgement.steps.iter().map(|step| (step.step, step.verdict)).collect()
}

fn checked(expected: &Expected, samples: &[f32], rate: SampleRate) -> Vec<(usize, Verdict)> {
    let judgement = judge_take(expected, &offline(samples, rate), &judge::Settings::default());
    judgement.steps.iter().map(|step| (step.step, step.verdict)).collect()
}

fn free(rate: SampleRate, repeat: usize) -> Settings {
    Settings { repeat, ..Settings::at_leisure(rate) }
}

/// Everything a session tells of `samples`, passes begun as soon as they may.
fn play(session: &mut Session, samples: &[f32]) -> Vec<News> {
    let mut news = Vec::new();
    for block in samples.chunks(BLOCK) {
        if session.pass().is_none() && !session.is_over() {
            session.begin(&mut news);
        }
        session.push(block, &mut news);
    }
    news
}

fn over(news: &[News]) -> Vec<&PassOver> {
    news.iter()
        .filter_map(|news| match news {
            News::Over(over) => Some(&**over),
            _ => None,
        })
        .collect()
}

/// The last that was told of each step while it was played.
fn live_verdicts(news: &[News]) -> BTreeMap<usize, (Stage, Verdict)> {
    news.iter()
        .filter_map(|news| match news {
            News::Pass(Told::Step(found)) => {
                Some((found.judgement.step, (found.stage, found.judgement.verdict)))
            }
            _ => None,
        })
        .collect()
}

#[test]
fn every_test_take_gets_the_verdicts_of_check() {
    for name in truth::takes() {
        let (lick, samples, rate) = recorded(&name);
        let mut session = Session::new(lick.expected(), free(rate, 1));
        let mut news = play(&mut session, &samples);
        news.extend(session.stop().map(|over| News::Over(Box::new(over))));
        let passes = over(&news);
        assert_eq!(passes.len(), 1, "{name}");
        // A free pass ends with the strike of its last step: what comes later is not its own.
        let end = passes[0].end.0 as usize;
        let expected = checked(&lick.expected(), &samples[..end], rate);
        assert_eq!(verdicts(passes[0]), expected, "{name}");
    }
}

/// Takes that are played straight through: what the screen said is what the report says.
#[test]
fn a_step_is_told_at_once_and_as_the_truth_has_it() {
    let straight = ["all-right", "semitone-off", "pulled-sharp", "note-missing", "guitar-flat"];
    for name in straight {
        let (lick, samples, rate) = recorded(name);
        let mut session = Session::new(lick.expected(), free(rate, 1));
        let news = play(&mut session, &samples);
        let told = live_verdicts(&news);
        for step in Truth::of(name).steps {
            let verdict = match step.verdict.as_str() {
                "right" => Verdict::Right,
                "wrong" => Verdict::Wrong,
                "incomplete" => Verdict::Incomplete,
                other => panic!("{name}: {other}"),
            };
            assert_eq!(
                told.get(&step.step),
                Some(&(Stage::Whole, verdict)),
                "{name} {}",
                step.step
            );
        }
        let stages: Vec<Stage> = news
            .iter()
            .filter_map(|news| match news {
                News::Pass(Told::Step(found)) if found.judgement.step == 1 => Some(found.stage),
                _ => None,
            })
            .collect();
        assert_eq!(stages, [Stage::Early, Stage::Settled, Stage::Whole], "{name}");
        let due: Vec<Option<usize>> = news
            .iter()
            .filter_map(|news| match news {
                News::Pass(Told::Due(due)) => Some(*due),
                _ => None,
            })
            .collect();
        assert_eq!(due, [Some(1), Some(2), Some(3), Some(4), None], "{name}");
    }
}

/// A move that stays behind is known to have done so when the step is over, and told then.
#[test]
fn a_move_that_falls_short_is_told_when_its_step_is_over() {
    let (lick, samples, rate) = recorded("moves-fall-short");
    let mut session = Session::new(lick.expected(), free(rate, 1));
    let told = live_verdicts(&play(&mut session, &samples));
    let truth = [Verdict::Incomplete, Verdict::Wrong, Verdict::Right];
    for (step, verdict) in (1..).zip(truth) {
        assert_eq!(told.get(&step), Some(&(Stage::Whole, verdict)), "step {step}");
    }
}

/// A string that comes back to where it was struck leads the step on, not the lick.
#[test]
fn a_pull_off_back_to_the_struck_note_is_no_step_of_its_own() {
    let lick = r#"
title = "Two planks"
key = "C major"
tempo = 60
meter = "4/4"
steps = [
  { beats = 2, frets = "x x x 5h7p5 5 x" },
  { beats = 1, frets = "x x x 7 8 x" },
  { beats = 1, frets = "x x x 4 3 x" },
]
"#;
    let expected = Lick::parse(lick, "test").expect("a good lick").expected();
    let samples = performed(&expected, 1.0, 0.5);
    let mut session = Session::new(expected, free(rate(), 1));
    let told = live_verdicts(&play(&mut session, &samples));
    let verdicts: Vec<Verdict> = told.values().map(|(_, verdict)| *verdict).collect();
    assert_eq!(verdicts, [Verdict::Right; 3]);
}

/// One performance after another without a pause: each is a pass, and what a recording of it would
/// hold gets the same verdicts.
#[test]
fn passes_on_each_others_heels_are_cut_where_the_next_begins() {
    let (lick, samples, rate) = recorded("semitone-off");
    let (_, right, _) = recorded("all-right");
    // The second begins while the last double stop of the first still sounds.
    let at = rate.samples_in(2.65).0 as usize;
    let mut both = samples;
    both.resize(at + right.len(), 0.0);
    both[at..].iter_mut().zip(&right).for_each(|(sum, more)| *sum += more);
    let settings = Settings { faster: 0.1, ..free(rate, 2) };
    let mut session = Session::new(lick.expected(), settings);
    let mut starts = Vec::new();
    let mut news = Vec::new();
    let mut pieces: Vec<Vec<f32>> = Vec::new();
    let mut written = 0;
    for block in both.chunks(BLOCK) {
        if session.pass().is_none() && !session.is_over() {
            let start = session.begin(&mut news);
            written = start.0;
            starts.push(start);
            pieces.push(Vec::new());
        }
        let before = news.len();
        session.push(block, &mut news);
        // As the recorder does: only what is certain, the rest when the pass is over.
        let end = over(&news[before..]).first().map(|over| over.end);
        let to = end.unwrap_or(session.certain());
        if to.0 > written && (end.is_some() || session.pass().is_some()) {
            let piece = pieces.last_mut().unwrap();
            piece.extend_from_slice(session.samples(SampleIndex(written), to));
            written = to.0;
        }
    }
    let passes = over(&news);
    assert_eq!((passes.len(), pieces.len()), (2, 2));
    let [first, second] = [0, 1].map(|i| verdicts(passes[i]));
    assert_eq!(first.iter().filter(|(_, v)| *v == Verdict::Right).count(), 2, "{first:?}");
    assert!(second.iter().all(|(_, v)| *v == Verdict::Right), "{second:?}");
    for (pass, piece) in passes.iter().zip(&pieces) {
        assert_eq!(piece.len() as u64, pass.end.0 - starts[pass.number - 1].0);
        assert_eq!(verdicts(pass), checked(&lick.expected(), piece, rate), "pass {}", pass.number);
    }
    assert!(session.is_over());
}

fn reference_lick() -> Lick {
    lick::find("slate-staircase").unwrap()
}

/// The lick as the synthesiser plays it at `speed`, after `before_s` of silence.
fn performed(expected: &Expected, speed: f64, before_s: f64) -> Vec<f32> {
    let manner = Manner { speed, ..Manner::default() };
    let sound = Performance::new(expected, &manner).render(rate(), &Room::noisy(45.0), 3);
    let mut samples = vec![0.0; rate().samples_in(before_s).0 as usize];
    samples.extend(sound);
    samples
}

/// Played in time, chords whose strings are struck 60 ms apart, low to high, are one step each.
#[test]
fn a_slow_strum_is_one_step() {
    let lick = "title = \"Sill\"\nkey = \"G major\"\ntempo = 80\nmeter = \"4/4\"\nsteps = [\n\
        { beats = 2, frets = \"3 x 2 4 3 x\" },\n{ beats = 2, frets = \"x 5 7 7 7 x\" },\n\
        { beats = 2, frets = \"x x 7 9 x x\" },\n{ beats = 2, frets = \"x 5 4 5 5 x\" },\n]\n";
    let expected = Lick::parse(lick, "sill.toml").unwrap().expected();
    let manner = Manner { strum_s: 0.06, ..Manner::default() };
    let sound = Performance::new(&expected, &manner).render(rate(), &Room::noisy(45.0), 5);
    let samples = [vec![0.0; 24_000], sound].concat();
    let right: Vec<(usize, Verdict)> = (1..=4).map(|step| (step, Verdict::Right)).collect();
    assert_eq!(checked(&expected, &samples, rate()), right);
    let mut session = Session::new(expected, free(rate(), 1));
    let news = play(&mut session, &samples);
    let live: Vec<(usize, Verdict)> =
        live_verdicts(&news).into_iter().map(|(step, (_, verdict))| (step, verdict)).collect();
    assert_eq!(live, right);
    assert!(!news.iter().any(|news| matches!(news, News::Pass(Told::Stray { .. }))), "one each");
    let [over] = over(&news)[..] else { panic!("one pass") };
    assert!(over.judgement.unmatched.is_empty());
}

/// Timing against the click: the whole lick comes 90 ms after it. A measured delay of 60 ms leaves
/// 30 ms late; an estimated one leaves nothing.
#[test]
fn lateness_is_told_against_the_click() {
    let lick = reference_lick();
    let speed = 0.8;
    let samples = performed(&lick.expected(), speed, 2.09);
    for (delay, late_ms) in [(Delay::Measured(60.0), 30.0), (Delay::Estimated, 0.0)] {
        let settings = Settings { pace: Pace::Click, speed, delay, ..free(rate(), 1) };
        let mut session = Session::new(lick.expected(), settings);
        let mut news = Vec::new();
        session.begin(&mut news);
        session.click_begins(2.0 * 48_000.0);
        news.extend(play(&mut session, &samples));
        let silence = vec![0.0; 96_000];
        news.extend(play(&mut session, &silence));
        let passes = over(&news);
        assert_eq!(passes.len(), 1);
        assert_eq!(passes[0].judgement.steps.len(), 10);
        for step in &passes[0].judgement.steps {
            assert_eq!(step.verdict, Verdict::Right, "step {}", step.step);
            let found = step.timing_ms.unwrap();
            assert!((found - late_ms).abs() < 6.0, "step {}: {found} ms", step.step);
        }
        let throughout = passes[0].judgement.findings.iter().find_map(|finding| match finding {
            Finding::LateThroughout { late_ms, .. } => Some(*late_ms),
            _ => None,
        });
        assert_eq!(throughout.is_some(), late_ms > 0.0, "{throughout:?}");
        assert!(throughout.is_none_or(|found| (found - late_ms).abs() < 6.0), "{throughout:?}");
        if delay == Delay::Estimated {
            let estimated = session.estimated_delay_ms().unwrap();
            assert!((estimated - 90.0).abs() < 6.0, "{estimated}");
        }
    }
}

/// Where an output died, the pass goes on at the player's pace; the next one has its click again.
#[test]
fn a_click_is_lost_for_one_pass_only() {
    let lick = reference_lick();
    let samples = performed(&lick.expected(), 1.0, 2.09);
    let delay = Delay::Measured(60.0);
    let settings = Settings { pace: Pace::Click, delay, ..free(rate(), 2) };
    let mut session = Session::new(lick.expected(), settings);
    let mut news = Vec::new();
    for click in [false, true] {
        let start = session.begin(&mut news);
        match click {
            false => session.lose_click(),
            true => session.click_begins(start.0 as f64 + 2.0 * 48_000.0),
        }
        let mut blocks = samples.chunks(BLOCK).chain(std::iter::repeat(&[0.0; BLOCK][..]));
        while session.pass().is_some() {
            session.push(blocks.next().unwrap(), &mut news);
        }
    }
    let passes = over(&news);
    let late = |pass: usize| passes[pass].judgement.steps[9].timing_ms.unwrap_or(f64::NAN);
    // Beside a click: 90 ms after it, less the delay. Without one: beside the player's own beat.
    assert!((late(1) - 30.0).abs() < 6.0, "{}", late(1));
    assert!(late(0).abs() < 6.0, "{}", late(0));
    for pass in passes {
        assert!(verdicts(pass).iter().all(|(_, verdict)| *verdict == Verdict::Right));
    }
}

#[test]
fn the_click_does_not_wait_for_a_step_that_is_left_out() {
    let expected = reference_lick().expected();
    let mut sound = Performance::new(&expected, &Manner::default());
    sound.notes.retain(|note| note.step != 3);
    let before = vec![0.0; 24_000];
    let samples = [before, sound.render(rate(), &Room::noisy(45.0), 3)].concat();
    let settings = Settings { pace: Pace::Click, ..free(rate(), 1) };
    let mut session = Session::new(expected, settings);
    let mut news = Vec::new();
    session.begin(&mut news);
    session.click_begins(24_000.0);
    let silence = vec![0.0; 96_000];
    news.extend(play(&mut session, &[samples, silence].concat()));
    let missed: Vec<&News> =
        news.iter().filter(|news| matches!(news, News::Pass(Told::Missed(_)))).collect();
    assert_eq!(missed, [&News::Pass(Told::Missed(3))]);
    let live = live_verdicts(&news);
    for (number, verdict) in verdicts(over(&news)[0]) {
        let wanted = if number == 3 { Verdict::NotPlayed } else { Verdict::Right };
        assert_eq!(verdict, wanted, "step {number}");
        let told = live.get(&number).map(|&(_, verdict)| verdict);
        assert_eq!(told, (number != 3).then_some(Verdict::Right), "step {number}, live");
    }
}

#[test]
fn a_clean_pass_makes_the_next_faster_and_a_part_can_be_practised() {
    let mut expected = reference_lick().expected();
    expected.steps.retain(|step| (7..=9).contains(&step.number));
    let settings = Settings { faster: 0.05, speed: 0.6, ..free(rate(), 3) };
    let mut session = Session::new(expected.clone(), settings);
    let before = session.beat_s();
    session.speed_up();
    assert!((before / session.beat_s() - 0.65 / 0.6).abs() < 1e-9);
    let mut news = Vec::new();
    session.begin(&mut news);
    assert_eq!(news, [News::Pass(Told::Due(Some(7)))]);
    let first = expected.steps[0].start_beats;
    expected.steps.iter_mut().for_each(|step| step.start_beats -= first);
    let silence = vec![0.0; 96_000];
    let samples = [performed(&expected, 1.0, 0.3), silence].concat();
    news.extend(play(&mut session, &samples));
    let passes = over(&news);
    assert_eq!(verdicts(passes[0]), [7, 8, 9].map(|number| (number, Verdict::Right)));
}

/// A hole is marked where it was, and what follows keeps its time.
#[test]
fn a_hole_is_known_and_does_not_shift_time() {
    let (lick, samples, rate) = recorded("all-right");
    // Between the strikes of 1.2 and 1.8 s.
    let (from, to) = (rate.samples_in(1.5).0 as usize, rate.samples_in(1.6).0 as usize);
    let mut session = Session::new(lick.expected(), free(rate, 1));
    let mut news = play(&mut session, &samples[..from]);
    session.gap(SampleCount((to - from) as u64), &mut news);
    news.extend(play(&mut session, &samples[to..]));
    let holes: Vec<&News> = news.iter().filter(|news| matches!(news, News::Hole { .. })).collect();
    let [News::Hole { start_s, length_s }] = holes[..] else { panic!("{holes:?}") };
    assert!((start_s - 1.5).abs() < 1e-3 && (length_s - 0.1).abs() < 1e-3, "{holes:?}");
    let (judgement, truth) = (&over(&news)[0].judgement, Truth::of("all-right"));
    assert_eq!(judgement.steps.len(), truth.steps.len());
    for (step, truth) in judgement.steps.iter().zip(truth.steps) {
        assert_eq!(step.verdict, Verdict::Right, "step {}", step.step);
        let off = step.start_s.unwrap() - truth.starts_s[0];
        assert!(off.abs() < 0.02, "step {}: {off} s", step.step);
    }
}

/// Silence before a performance, in seconds.
const BEFORE_S: f64 = 0.5;

/// A click that leaks into the microphone, as loud as the guitar and on the beat or beside it.
#[test]
fn a_click_as_loud_as_the_guitar_changes_no_verdict() {
    for hz in [44_100, 48_000, 96_000] {
        let rate = SampleRate::new(hz).unwrap();
        for (lick, faults) in
            [("slate-staircase", 0), ("orchard-gate-thirds", 1), ("low-tide-drone", 2)]
        {
            let lick = lick::find(lick).unwrap();
            let expected = lick.expected();
            let mut sound = Performance::new(&expected, &Manner::default());
            // A fret too high, and a string not struck: there must be faults to be lost.
            if faults > 0 {
                let note = &mut sound.notes[3].sound;
                note.frequency = note.frequency.raised(Cents(100.0));
            }
            if faults > 1 {
                sound.notes.remove(6);
            }
            // The first strike must be one: something before it is needed to rise from.
            let before = vec![0.0; rate.samples_in(BEFORE_S).0 as usize];
            let played = [before, sound.render(rate, &Room::noisy(45.0), 3)].concat();
            let bare = checked(&expected, &played, rate);
            let wrong = bare.iter().filter(|(_, verdict)| *verdict != Verdict::Right).count();
            assert_eq!(wrong > 0, faults > 0, "{}: {bare:?}", expected.title);
            let loudest = played.iter().fold(0.0_f32, |peak, s| peak.max(s.abs()));
            let beat_s = 60.0 / expected.tempo_bpm;
            for shift_s in [-0.02, 0.0, 0.03, 0.1, 0.2] {
                let mut leaked = played.clone();
                let mut at_s = BEFORE_S + shift_s;
                while at_s < BEFORE_S + sound.length_s {
                    let middle = rate.samples_in(at_s).0 as usize;
                    add_click(&mut leaked, middle, false, f64::from(loudest), rate);
                    at_s += beat_s;
                }
                let heard = checked(&expected, &leaked, rate);
                assert_eq!(heard, bare, "{} at {hz} Hz, clicks {shift_s} s off", expected.title);
            }
        }
        // And the click alone is nothing at all.
        let score =
            Score { from_beats: 0.0, to_beats: 8.0, bar_beats: 4.0, beat_s: 0.5, level: 0.5 };
        let track = score.track(rate);
        assert!(offline(&track.samples, rate).strikes.is_empty(), "a click is heard at {hz} Hz");
    }
}

#[test]
fn a_stage_reached_live_is_as_sure_as_it_is_checked() {
    let text = r#"
title = "Slipway"
key = "D major"
tempo = 60
meter = "4/4"
steps = [{ beats = 2, frets = "x x x 5h7 x x" }, { beats = 2, frets = "x x 5 x x x" }]
"#;
    let expected = Lick::parse(text, "test").unwrap().expected();
    let reached = expected.steps[0].stages[0].to;
    let mut session = Session::new(expected.clone(), free(rate(), 1));
    let mut news = play(&mut session, &performed(&expected, 1.0, 0.5));
    news.extend(session.stop().map(|over| News::Over(Box::new(over))));
    let sure = |heard: &[HeardNote]| {
        heard.iter().find(|heard| heard.expected == Some(reached)).map(|heard| heard.confidence)
    };
    let live = news.iter().rev().find_map(|news| match news {
        News::Pass(Told::Step(found)) if found.judgement.step == 1 => sure(&found.judgement.heard),
        _ => None,
    });
    let checked = sure(&over(&news)[0].judgement.steps[0].heard);
    assert!(live.is_some_and(|sure| sure < 1.0), "{live:?}");
    assert_eq!(live, checked);
}

/// Real speech (the test sounds of Debian's package alsa-utils, "front left" and the like): hardly a
/// syllable stays in the place of a step.
#[test]
fn talk_before_the_lick_takes_no_step() {
    let folder = std::path::Path::new("/usr/share/sounds/alsa");
    let places = ["Front", "Rear", "Side"].into_iter();
    let names = places.flat_map(|end| ["Left", "Right"].map(|side| format!("{end}_{side}.wav")));
    let (mut taken_back, mut gone) = (0, 0);
    for name in names {
        let Some((mut speech, at)) = support::recorded(&folder.join(&name)) else {
            support::skip::skip(format!("there is no {name} in {}", folder.display()));
            return;
        };
        assert_eq!(at, rate());
        speech.extend([0.0; 48_000]);
        let mut session = Session::new(reference_lick().expected(), free(rate(), 1));
        let news = play(&mut session, &speech);
        gone += session.pass().unwrap().due().unwrap() - 1;
        let is_taken_back = |news: &&News| matches!(news, News::Pass(Told::TakenBack(_)));
        taken_back += news.iter().filter(is_taken_back).count();
    }
    assert!(taken_back >= 6 && gone <= 2, "{taken_back} taken back, {gone} steps gone");
}

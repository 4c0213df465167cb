//! Whole sessions.

use std::thread;
use std::time::Duration;
use std::time::Instant;

use serde_json::Value;

use crate::card::Room;
use crate::card::Running;
use crate::card::audio;
use crate::card::check;
use crate::card::doublecheck;
use crate::card::json;
use crate::card::play;
use crate::card::takes_folder;
use crate::card::true_verdicts;
use crate::card::verdicts;
use crate::card::with_card;

#[test]
fn a_take_played_into_the_card_gets_the_verdicts_of_check() {
    if !with_card("sessions::a_take_played_into_the_card_gets_the_verdicts_of_check") {
        return;
    }
    for name in ["semitone-off", "note-missing"] {
        let (lick, folder) = (audio(name, "toml"), takes_folder(name));
        let begun = Instant::now();
        let mut session =
            Running::start(&["practice", &lick, "--json", "--keep-in", folder.to_str().unwrap()]);
        session.wait_for("\"due\"");
        eprintln!("NOTE listening after {:?}", begun.elapsed());
        let mut player = play(audio(name, "wav"));
        let report = session.wait_for("\"report\"");
        player.wait().unwrap();
        assert_eq!(session.end(), Some(0), "{:?}", session.said);
        let report: Value = serde_json::from_str(&report).unwrap();
        let truth = true_verdicts(name);
        assert_eq!(verdicts(&report), truth, "{name}");
        let recording = report["takes"][0]["recording"].as_str().unwrap();
        assert_eq!(verdicts(&check(&lick, recording)), truth, "{name}, its recording");
        for line in &session.said {
            let event: Result<Value, _> = serde_json::from_str(line);
            assert!(event.is_ok_and(|event| event["event"].is_string()), "no event: {line}");
        }
    }
}

/// A pass that was over before the interruption, one without a strike, one that shall not be kept.
#[test]
fn passes_in_which_something_was_played_make_history() {
    if !with_card("sessions::passes_in_which_something_was_played_make_history") {
        return;
    }
    let name = "semitone-off";
    let (lick, folder) = (audio(name, "toml"), takes_folder("history"));
    let practice = |more: &[&str]| {
        let arguments = ["practice", &lick, "--plain", "--keep-in", folder.to_str().unwrap()];
        Running::start(&[&arguments, more].concat())
    };
    for (options, until, kept) in [
        (&["--repeat", "2"][..], Some("Pass 1: 2 of 4 steps right"), true),
        (&["--no-history"], Some("   2  x x x 5 x 5"), false),
        (&["--pace", "click", "--speed", "300%"], None, false),
    ] {
        let mut session = practice(options);
        session.wait_for("Keep headphones");
        if let Some(until) = until {
            let mut player = play(audio(name, "wav"));
            session.wait_for(until);
            session.signal("-INT");
            let _ = player.kill();
            player.wait().unwrap();
        }
        assert_eq!(session.end(), Some(0), "{:?}", session.said);
        let told = session.said.iter().any(|line| line.starts_with("take kept for `doublecheck"));
        assert_eq!(told, kept, "{options:?}: {:?}", session.said);
    }
    let history = json(&["history", "--json"]);
    let takes = history["licks"][0]["takes"].as_array().unwrap();
    assert_eq!(takes.len(), 1, "{history:#}");
    let take = &takes[0];
    assert_eq!((&take["right"], &take["steps"]), (&2.into(), &4.into()), "{take:#}");
    assert!(take["recording"].as_str().unwrap().ends_with("history/semitone-off-1.wav"), "{take}");
    assert!((take["tempo_bpm"].as_f64().unwrap() - 100.0).abs() < 2.0, "{take}");
    let page = doublecheck(&["history"]);
    let page = String::from_utf8_lossy(&page.stdout);
    let today = &take["recorded_at"].as_str().unwrap()[..10];
    let line = format!("{today}  semitone-off-1.wav  ━━━━━━━━━━··········    2/4");
    assert!(page.contains(&line), "{page}");
}

/// As `check` has it of a recording in which nothing was played.
#[test]
fn nothing_played_is_a_fault_where_faults_are_asked_for() {
    if !with_card("sessions::nothing_played_is_a_fault_where_faults_are_asked_for") {
        return;
    }
    let (lick, folder) = (audio("all-right", "toml"), takes_folder("nothing"));
    let arguments = ["practice", &lick, "--plain", "--keep-in", folder.to_str().unwrap()];
    for (options, code) in [(&["--fail-on-fault"][..], 1), (&[], 0)] {
        let mut session = Running::start(&[&arguments, options].concat());
        session.wait_for("Keep headphones");
        session.signal("-INT");
        assert_eq!(session.end(), Some(code), "{:?}", session.said);
        assert!(
            session.said.iter().any(|line| line == "Nothing was played."),
            "{:?}",
            session.said
        );
    }
}

#[test]
fn what_was_played_outlives_the_program() {
    if !with_card("sessions::what_was_played_outlives_the_program") {
        return;
    }
    let (lick, folder) = (audio("all-right", "toml"), takes_folder("outlives"));
    let mut session =
        Running::start(&["practice", &lick, "--plain", "--keep-in", folder.to_str().unwrap()]);
    session.wait_for("Keep headphones");
    let begun = Instant::now();
    thread::sleep(Duration::from_secs(4));
    let played_s = begun.elapsed().as_secs_f64();
    session.signal("-KILL");
    session.end();
    let wav = hound::WavReader::open(folder.join("all-right-1.wav")).unwrap();
    let kept_s = f64::from(wav.duration()) / f64::from(wav.spec().sample_rate);
    assert!(kept_s > played_s - 1.2, "{kept_s} s of {played_s} s");
}

/// The loop from output to input carries the click alone: it is in the recording, and no strike.
#[test]
fn a_click_that_leaks_is_no_playing() {
    if !with_card("sessions::a_click_that_leaks_is_no_playing") {
        return;
    }
    let (lick, folder) = (audio("all-right", "toml"), takes_folder("click"));
    let mut session = Running::start(&[
        "practice",
        &lick,
        "--json",
        "--pace",
        "click",
        "--speed",
        "150%",
        "--fail-on-fault",
        "--keep-in",
        folder.to_str().unwrap(),
    ]);
    session.wait_for("the middle of your own strikes");
    let report: Value = serde_json::from_str(&session.wait_for("\"report\"")).unwrap();
    assert_eq!(session.end(), Some(1), "not played is a fault: {:?}", session.said);
    assert!(!session.said.iter().any(|line| line.contains("\"stage\"")), "{:?}", session.said);
    let missed = session.said.iter().filter(|line| line.contains("\"missed\"")).count();
    assert_eq!(missed, 4, "{:?}", session.said);
    let verdicts = verdicts(&report);
    assert!(verdicts.iter().all(|(_, verdict)| verdict == "not played"), "{verdicts:?}");
    let mut wav = hound::WavReader::open(folder.join("all-right-1.wav")).unwrap();
    let rate = f64::from(wav.spec().sample_rate);
    let loud: Vec<f64> = wav
        .samples::<f32>()
        .enumerate()
        .filter(|(_, sample)| sample.as_ref().unwrap().abs() > 0.15)
        .map(|(at, _)| at as f64 / rate)
        .collect();
    let mut clicks: Vec<f64> = Vec::new();
    for at_s in loud {
        if clicks.last().is_none_or(|last| at_s - last > 0.1) {
            clicks.push(at_s);
        }
    }
    // A bar counted in and five beats of the lick, 100 · 1.5 a minute.
    assert_eq!(clicks.len(), 9, "{clicks:?}");
    for pair in clicks.windows(2) {
        assert!((pair[1] - pair[0] - 0.4).abs() < 0.005, "{clicks:?}");
    }
}

#[test]
fn listening_names_what_sounds() {
    if !with_card("sessions::listening_names_what_sounds") {
        return;
    }
    let mut session = Running::start(&["listen"]);
    session.wait_for("Listening on");
    let mut player = play(audio("all-right", "wav"));
    session.wait_for("major sixth");
    player.wait().unwrap();
    session.wait_for("perfect fourth");
    // The third string there slides from E4 to D4.
    let mut player = play(audio("moves", "wav"));
    session.wait_for("(to D4 ");
    player.wait().unwrap();
    session.signal("-INT");
    assert_eq!(session.end(), Some(0), "{:?}", session.said);
}

#[test]
fn a_buffer_in_which_a_sound_server_may_lose_samples_is_told() {
    if !with_card("sessions::a_buffer_in_which_a_sound_server_may_lose_samples_is_told") {
        return;
    }
    for (input, buffer, told) in
        [("pulseaudio", "512", true), ("pulseaudio", "8192", false), ("alsa", "512", false)]
    {
        let mut session = Running::start(&["listen", "--input", input, "--buffer", buffer]);
        session.wait_for("Listening on");
        session.signal("-INT");
        assert_eq!(session.end(), Some(0), "{:?}", session.said);
        let lines = session.said.iter().filter(|line| line.contains("may lose some")).count();
        assert_eq!(lines, usize::from(told), "{:?}", session.said);
    }
}

/// What `--play` sounds is the lick: the room is recorded meanwhile, and `check` says so.
#[test]
fn the_lick_is_sounded_first_and_nobody_is_judged_by_it() {
    if !with_card("sessions::the_lick_is_sounded_first_and_nobody_is_judged_by_it") {
        return;
    }
    let name = "note-missing";
    let (lick, folder) = (audio(name, "toml"), takes_folder("play"));
    let room = Room::open();
    let keep_in = folder.to_str().unwrap();
    let mut session =
        Running::start(&["practice", &lick, "--json", "--play", "--keep-in", keep_in]);
    session.wait_for("your turn follows");
    let room = room.record(|| session.poll("\"due\"").is_some());
    let sounded = check(&lick, &room);
    assert!(verdicts(&sounded).iter().all(|(_, verdict)| verdict == "right"), "{sounded}");
    let report = session.hears(name);
    assert_eq!(verdicts(&report), true_verdicts(name), "{report}");
    assert_eq!(session.end(), Some(0), "{:?}", session.said);
}

/// Output and input are one room: the click is in the microphone with the guitar, as loud as it.
#[test]
fn a_click_that_leaks_into_the_playing_changes_no_verdict() {
    if !with_card("sessions::a_click_that_leaks_into_the_playing_changes_no_verdict") {
        return;
    }
    let name = "semitone-off";
    let (lick, folder) = (audio(name, "toml"), takes_folder("leak"));
    let keep_in = folder.to_str().unwrap();
    let arguments =
        ["practice", &lick, "--json", "--pace", "click", "--fail-on-fault", "--keep-in", keep_in];
    let mut session = Running::start(&arguments);
    session.wait_for("\"due\"");
    // Clicks are counted in for 2.4 s after half a second; the take begins with 0.6 s of silence,
    // and its player takes some 0.1 s to begin. A strike may be a quarter of a second off its click.
    thread::sleep(Duration::from_millis(2_150));
    let report = session.hears(name);
    assert_eq!(session.end(), Some(1), "{:?}", session.said);
    let said = |part: &str| session.said.iter().any(|line| line.contains(part));
    assert!(said("\"delay_ms\":null") && said("told against the middle of your own strikes, "));
    assert_eq!(verdicts(&report), true_verdicts(name), "{report}");
    let recording = report["takes"][0]["recording"].as_str().unwrap();
    assert_eq!(verdicts(&check(&lick, recording)), true_verdicts(name), "its recording");
    for step in report["takes"][0]["steps"].as_array().unwrap() {
        assert!(step["timing_ms"].as_f64().is_some_and(|ms| ms.abs() < 300.0), "{report}");
    }
}

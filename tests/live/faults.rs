//! Everything that can go wrong, and how a session goes on.

use std::process::Command;

use crate::card::Running;
use crate::card::Server;
use crate::card::audio;
use crate::card::check;
use crate::card::kill_server;
use crate::card::play;
use crate::card::takes_folder;
use crate::card::true_verdicts;
use crate::card::verdicts;
use crate::card::with_card;

#[test]
fn a_server_killed_in_mid_take_costs_only_the_time_it_was_away() {
    if !with_card("faults::a_server_killed_in_mid_take_costs_only_the_time_it_was_away") {
        return;
    }
    let (lick, folder) = (audio("all-right", "toml"), takes_folder("killed"));
    let mut session =
        Running::start(&["practice", &lick, "--plain", "--keep-in", folder.to_str().unwrap()]);
    session.wait_for("Keep headphones");
    let mut player = play(audio("all-right", "wav"));
    session.wait_for("   2  x x x 5 x 5");
    kill_server();
    let said = session.wait_for("what you played is kept in");
    assert!(said.contains("all-right-1.wav"), "{said}");
    let _ = player.wait();
    // It comes back at another rate, and converts.
    let _server = Server::start(44_100);
    session.wait_for("The input is back");
    session.wait_for("of sound were lost");
    let mut player = play(audio("all-right", "wav"));
    // Who begins anew is followed.
    session.wait_for("4 of 4 steps right");
    player.wait().unwrap();
    assert_eq!(session.end(), Some(0), "{:?}", session.said);
    let checked = check(&lick, folder.join("all-right-1.wav"));
    assert!(checked["takes"][0]["duration_s"].as_f64().unwrap() > 4.0, "{checked}");
    let right = verdicts(&checked).iter().filter(|(_, verdict)| verdict == "right").count();
    assert!(right >= 2, "{checked}");
}

#[test]
fn listening_goes_on_when_the_server_comes_back() {
    if !with_card("faults::listening_goes_on_when_the_server_comes_back") {
        return;
    }
    let mut session = Running::start(&["listen"]);
    session.wait_for("Listening on");
    let mut player = play(audio("all-right", "wav"));
    session.wait_for("major sixth");
    kill_server();
    session.wait_for("what was heard still counts");
    let _ = player.wait();
    let _server = Server::start(48_000);
    session.wait_for("The input is back");
    session.wait_for("of sound were lost");
    let mut player = play(audio("all-right", "wav"));
    session.wait_for("perfect fourth");
    player.wait().unwrap();
    session.signal("-INT");
    assert_eq!(session.end(), Some(0), "{:?}", session.said);
}

/// A suspended output asks for nothing: the click stops, and nobody is told by the system.
#[test]
fn a_click_that_dies_does_not_take_the_lick_with_it() {
    if !with_card("faults::a_click_that_dies_does_not_take_the_lick_with_it") {
        return;
    }
    let name = "semitone-off";
    let (lick, folder) = (audio(name, "toml"), takes_folder("output"));
    let keep_in = folder.to_str().unwrap();
    let mut session = Running::start(&[
        "practice",
        &lick,
        "--json",
        "--pace",
        "click",
        "--speed",
        "20%",
        "--output",
        "hall",
        "--input",
        "room",
        // Spoken to directly, the server keeps one buffer only, and the room comes in bursts.
        "--buffer",
        "8192",
        "--keep-in",
        keep_in,
    ]);
    session.wait_for("\"due\"");
    let suspended = Command::new("pactl").args(["suspend-sink", "hall", "1"]).status().unwrap();
    assert!(suspended.success());
    session.wait_for("listening goes on, and the lick waits for you");
    let report = session.hears(name);
    assert_eq!(verdicts(&report), true_verdicts(name), "{report}");
    assert_eq!(session.end(), Some(0), "{:?}", session.said);
}

/// The system allows files of 200 kB only: what a full disk says, without filling one.
#[test]
fn a_full_disk_ends_the_recording_and_not_the_session() {
    if !with_card("faults::a_full_disk_ends_the_recording_and_not_the_session") {
        return;
    }
    let name = "semitone-off";
    let (lick, folder) = (audio(name, "toml"), takes_folder("full"));
    // Past the limit a write fails instead of ending the program, once the signal is ignored.
    let limited = "trap '' XFSZ; ulimit -f 200; exec \"$@\"";
    let mut session = Running::run(
        Command::new("bash")
            .args(["-c", limited, "bash", env!("CARGO_BIN_EXE_doublecheck")])
            .args(["practice", &lick, "--plain", "--keep-in"])
            .arg(&folder),
    );
    session.wait_for("Keep headphones");
    let mut player = play(audio(name, "wav"));
    let said = session.wait_for("Recording has ended");
    assert!(said.contains("semitone-off-1.wav: cannot be written: "), "{said}");
    assert!(said.contains("has room") && said.contains("you can play on"), "{said}");
    session.wait_for("2 of 4 steps right; 2 wrong.");
    player.wait().unwrap();
    assert_eq!(session.end(), Some(0), "{:?}", session.said);
    // What was written until then is a recording.
    let wav = hound::WavReader::open(folder.join("semitone-off-1.wav")).unwrap();
    let kept_s = f64::from(wav.duration()) / f64::from(wav.spec().sample_rate);
    assert!((0.5..1.1).contains(&kept_s), "{kept_s} s of 48 kHz floats in 200 kB");
}

/// ALSA's `file` plug-in opens a file that only its owner may: the one way to be refused without a
/// card. Needs no server.
#[test]
fn an_input_that_is_not_permitted_is_told_from_one_that_is_not_there() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    std::fs::set_permissions(folder.path(), PermissionsExt::from_mode(0o755)).unwrap();
    std::fs::write(path("closed"), "").unwrap();
    std::fs::set_permissions(path("closed"), PermissionsExt::from_mode(0o000)).unwrap();
    let pcm = format!(
        "pcm.!default {{ type file slave.pcm {{ type null }} file /dev/null infile {} \
         hint {{ show on description Closed }} }}\n",
        path("closed").display()
    );
    std::fs::write(path("asound.conf"), pcm).unwrap();
    // Root may read everything; nobody may not even enter the folder the program is built in.
    std::fs::copy(env!("CARGO_BIN_EXE_doublecheck"), path("doublecheck")).unwrap();
    let nobody = ["--reuid=65534", "--regid=65534", "--clear-groups"];
    let setpriv = || {
        let mut command = Command::new("setpriv");
        command.args(nobody);
        command
    };
    let is_root = setpriv().arg("true").status().is_ok_and(|status| status.success());
    let mut command = if is_root { setpriv() } else { Command::new("env") };
    let done = command
        .arg(path("doublecheck"))
        .arg("listen")
        .env_clear()
        .env("PATH", std::env::var_os("PATH").unwrap())
        .env("HOME", folder.path())
        .env("PULSE_SERVER", "unix:/nowhere/at/all")
        .env("ALSA_CONFIG_PATH", path("asound.conf"))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&done.stderr);
    assert_eq!(done.status.code(), Some(2), "{said}");
    assert!(
        said.starts_with("error: alsa:default: the system does not permit its use\nhint: allow"),
        "{said}"
    );
}

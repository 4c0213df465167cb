//! Files that want to do harm, or that are simply broken: each meets an error that names the
//! place, in bounded time.

use std::io::Write;
use std::time::Duration;
use std::time::Instant;

use doublecheck::notation::Reading;
use doublecheck::notation::error::NotationError;
use doublecheck::notation::midi;
use doublecheck::notation::musicxml;
use doublecheck::notation::tab;
use proptest::prelude::*;

use crate::embedded;

/// No refusal may take longer, on a busy machine and without optimisation.
const PATIENCE: Duration = Duration::from_secs(5);

#[track_caller]
fn refused(read: impl FnOnce() -> Result<Reading, NotationError>) -> String {
    let before = Instant::now();
    let error = read().expect_err("must be refused");
    assert!(before.elapsed() < PATIENCE, "took {:?}: {error}", before.elapsed());
    error.to_string()
}

fn refused_xml(text: &str) -> String {
    refused(|| musicxml::read(text.as_bytes()))
}

#[test]
fn entities_are_refused() {
    // The «billion laughs».
    let bomb = r#"<?xml version="1.0"?>
<!DOCTYPE lolz [ <!ENTITY a "aaaaaaaaaa"> <!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;"> ]>
<score-partwise>&b;</score-partwise>"#;
    assert_eq!(
        refused_xml(bomb),
        "line 2, column 1: the document type declares entities or elements of its own"
    );
    let outside = r#"<!DOCTYPE s [<!ENTITY x SYSTEM "file:///etc/passwd">]><s>&x;</s>"#;
    assert_eq!(
        refused_xml(outside),
        "line 1, column 1: the document type declares entities or elements of its own"
    );
    let undeclared = "<score-partwise>\n  <part>&x;</part>\n</score-partwise>";
    assert_eq!(refused_xml(undeclared), "line 2, column 9: the entity &x; is not one of XML's own");
}

#[test]
fn an_outside_document_type_is_not_fetched() {
    let lick = embedded().next().unwrap();
    let document = musicxml::write(&lick).unwrap();
    assert!(document.contains("<!DOCTYPE score-partwise PUBLIC"));
    let elsewhere =
        document.replace("http://www.musicxml.org/dtds/partwise.dtd", "file:///dev/zero");
    assert_eq!(musicxml::read(elsewhere.as_bytes()).unwrap().lick, lick);
}

#[test]
fn xml_that_is_not_well_formed_is_refused_with_its_place() {
    let crossed = "<score-partwise>\n <part><measure></part></measure>\n</score-partwise>";
    assert!(refused_xml(crossed).starts_with("line 2, column 17: "), "{}", refused_xml(crossed));
    let open = "<score-partwise>\n <part>\n";
    assert_eq!(refused_xml(open), "line 2, column 2: <part> is never closed");
    let deep = "<a>".repeat(100_000);
    assert_eq!(refused_xml(&deep), "line 1, column 193: more than 64 elements inside each other");
    let wide = format!("<a>{}</a>", "<b/>".repeat(400_000));
    assert!(refused_xml(&wide).ends_with("more than 300000 elements"));
    assert_eq!(refused_xml("<html></html>"), "line 1, column 1: <html> is not a MusicXML score");
    assert_eq!(refused(|| musicxml::read(b"<a>\xFF</a>")), "byte 3: not UTF-8");
}

#[test]
fn a_measure_that_never_ends_is_refused() {
    let note = |duration: &str| {
        format!(
            "<score-partwise><part><measure><attributes><divisions>1</divisions></attributes>\n\
             <note><pitch><step>A</step><octave>3</octave></pitch><duration>{duration}</duration>\
             </note></measure></part></score-partwise>"
        )
    };
    let told = refused_xml(&note("99999999"));
    assert_eq!(told, "line 2, column 1: more than 20000 quarter notes");
    for duration in ["-1", "NaN", "inf", "1e300", "0.5"] {
        let told = refused_xml(&note(duration));
        assert!(told.starts_with("line 2, column "), "{told}");
    }
}

fn archive(entries: &[(&str, &[u8])]) -> Vec<u8> {
    let mut archive = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    for (name, content) in entries {
        archive.start_file(*name, zip::write::SimpleFileOptions::default()).unwrap();
        archive.write_all(content).unwrap();
    }
    archive.finish().unwrap().into_inner()
}

#[test]
fn an_archive_that_swells_is_refused() {
    let container =
        br#"<container><rootfiles><rootfile full-path="a.xml"/></rootfiles></container>"#;
    let swollen = vec![b' '; 64 << 20];
    let bomb = archive(&[("META-INF/container.xml", container), ("a.xml", &swollen)]);
    assert!(bomb.len() < 1 << 20, "it is small until it is unpacked");
    assert_eq!(refused(|| musicxml::read(&bomb)), "entry a.xml: more than 33554432 bytes");
    let missing = archive(&[("META-INF/container.xml", container)]);
    assert!(refused(|| musicxml::read(&missing)).starts_with("entry a.xml: "));
    let empty = archive(&[("META-INF/container.xml", b"<container/>")]);
    let told = refused(|| musicxml::read(&empty));
    assert_eq!(told, "entry META-INF/container.xml: it names no root file");
    assert!(refused(|| musicxml::read(b"PK\x03\x04 and no more")).contains("ZIP"));
}

/// A Standard MIDI File of one track with these bytes (SMF 1.0, section 2).
fn smf(ticks: u16, track: &[u8]) -> Vec<u8> {
    let mut bytes = b"MThd\0\0\0\x06\0\0\0\x01".to_vec();
    bytes.extend(ticks.to_be_bytes());
    bytes.extend(b"MTrk");
    bytes.extend((track.len() as u32).to_be_bytes());
    bytes.extend(track);
    bytes
}

#[test]
fn midi_of_absurd_length_is_refused() {
    let longest = [0xFF, 0xFF, 0xFF, 0x7F];
    let mut track = vec![0x00, 0x90, 60, 100];
    track.extend(longest);
    track.extend([0x80, 60, 0, 0x00, 0xFF, 0x2F, 0x00]);
    let told = refused(|| midi::read(&smf(96, &track), None));
    assert_eq!(told, "track 1, tick 268435455: more than 20000 quarter notes");
    // The track says that it is four gigabytes long.
    let mut boast = smf(96, &[0x00, 0x90, 60]);
    boast[18..22].copy_from_slice(&u32::MAX.to_be_bytes());
    assert_eq!(refused(|| midi::read(&boast, None)), "byte 22: track 1 goes wrong at tick 0");
    let many: Vec<u8> = (0..30_000).flat_map(|_| [0, 0x90, 60, 100]).collect();
    assert_eq!(
        refused(|| midi::read(&smf(96, &many), None)),
        "track 1, tick 0: more than 20000 notes"
    );
    assert!(refused(|| midi::read(b"not music at all", None)).starts_with("byte 0: "));
    assert!(refused(|| midi::read(&smf(0, &[0, 0xFF, 0x2F, 0]), None)).starts_with("byte 12: "));
    assert!(
        refused(|| midi::read(&smf(0xE728, &[0, 0xFF, 0x2F, 0]), None)).starts_with("byte 12: ")
    );
    assert!(refused(|| midi::read(&smf(96, &[0, 0xFF, 0x2F, 0]), None)).contains("no notes"));
}

#[test]
fn a_crowd_of_notes_is_laid_in_time() {
    // Twenty chords of sixty keys each: far more than two hands.
    let mut track = Vec::new();
    for round in 0..20 {
        for key in 30..90u8 {
            track.extend([0, 0x90 | (key % 9), key, 100]);
        }
        track.extend([0x60, 0x90, 1, 0]);
        for key in 30..90u8 {
            track.extend([0, 0x80 | (key % 9), key, round]);
        }
    }
    track.extend([0, 0xFF, 0x2F, 0]);
    let before = Instant::now();
    let reading = midi::read(&smf(96, &track), None).unwrap();
    assert!(before.elapsed() < PATIENCE, "{:?}", before.elapsed());
    assert!(reading.lick.check().is_ok());
    assert!(reading.remarks.iter().any(|told| told.contains("left out")), "{:?}", reading.remarks);
}

/// Keys 24 and 25 are below every guitar, 108 is above (MIDI 1.0: 60 is middle C). In 4/4 with 96 ticks to
/// the quarter note, 672 ticks are bar 2, beat 4.
#[test]
fn notes_that_find_no_string_are_told_with_their_place() {
    let mut track = vec![0, 0x90, 64, 100, 0x85, 0x20, 0x80, 64, 0]; // E4 for 672 ticks
    track.extend([0, 0x90, 108, 100, 0x60, 0x80, 108, 0]); // C8
    track.extend([0, 0x90, 24, 100, 0, 0x90, 25, 100, 0x60, 0x80, 24, 0, 0, 0x80, 25, 0]);
    track.extend([0, 0xFF, 0x2F, 0]);
    let reading = midi::read(&smf(96, &track), None).unwrap();
    let told = "bar 2, beat 4, C8: a note that finds no string was left out (and 2 times more)";
    assert!(reading.remarks.iter().any(|remark| remark == told), "{:?}", reading.remarks);

    let score = r#"<score-partwise><part-list><score-part id="P1"><part-name/></score-part></part-list>
<part id="P1"><measure number="1">
<attributes><divisions>2</divisions><time><beats>6</beats><beat-type>8</beat-type></time></attributes>
<note><pitch><step>E</step><octave>4</octave></pitch><duration>4</duration></note>
<note><pitch><step>C</step><octave>8</octave></pitch><duration>2</duration></note>
</measure></part></score-partwise>"#;
    let reading = musicxml::read(score.as_bytes()).unwrap();
    let told = "bar 1, beat 5, C8: a note that finds no string was left out";
    assert!(reading.remarks.iter().any(|remark| remark == told), "{:?}", reading.remarks);
}

#[test]
fn lengths_that_were_played_are_told_with_the_way_out() {
    let told = |ticks: u8| {
        let track = [0, 0x90, 64, 100, ticks, 0x80, 64, 0, 0, 0xFF, 0x2F, 0];
        let reading = midi::read(&smf(96, &track), None).unwrap();
        reading.remarks.iter().any(|told| told.contains("look played") && told.contains("--grid 4"))
    };
    assert!(told(95) && !told(48), "95 of 96 ticks, and an eighth");
}

/// A pickup of a quarter note in 3/4, as MusicXML 4.0 has it («implicit»): bars begin elsewhere after it.
#[test]
fn a_pickup_that_moves_the_bars_is_told() {
    let note = |quarters: u8| {
        format!(
            "<note><pitch><step>E</step><octave>4</octave></pitch><duration>{quarters}</duration></note>"
        )
    };
    let time = "<attributes><divisions>1</divisions><time><beats>3</beats><beat-type>4</beat-type></time></attributes>";
    let score = |first: u8, last: u8| {
        let (first, whole, last) = (note(first), note(3), note(last));
        format!(
            "<score-partwise><part-list><score-part id=\"P1\"><part-name/></score-part></part-list><part id=\"P1\">\
             <measure number=\"0\" implicit=\"yes\">{time}{first}</measure><measure number=\"1\">{whole}</measure>\
             <measure number=\"2\">{last}</measure></part></score-partwise>"
        )
    };
    let told = |first: u8, last: u8| {
        let reading = musicxml::read(score(first, last).as_bytes()).unwrap();
        reading.remarks.iter().any(|told| told.starts_with("measure 0: it is no whole bar"))
    };
    assert!(told(1, 3), "the pickup");
    assert!(!told(3, 2), "the last bar may be short: nothing comes after it");
}

/// Standard MIDI Files 1.0: a division whose first bit is set counts frames of film, 24 to 30 a second.
#[test]
fn midi_that_counts_in_film_frames_is_refused() {
    let lick = embedded().next().unwrap();
    for division in [0x80, 0x81, 0xe2, 0xe8, 0xff] {
        let mut bytes = midi::write(&lick, &midi::Options::default());
        bytes[12] = division;
        let told = refused(|| midi::read(&bytes, None));
        assert!(told.contains("film frames instead of beats"), "{division:#x}: {told}");
    }
}

#[test]
fn ragged_tab_is_refused_with_its_place() {
    let good = "e|--3--5--|\nB|--3--5--|\nG|--------|\nD|--------|\nA|--------|\nE|--------|\n";
    assert!(tab::read(good).is_ok());
    let told = |text: &str| refused(|| tab::read(text));
    let short = good.replace("D|--------|", "D|-------");
    assert_eq!(
        told(&short),
        "line 4, column 10: the lines of a system are equally long: this one ends at column 9, \
         the first at 11"
    );
    let crooked = good.replace("D|--------|", "D|---|----|");
    assert_eq!(
        told(&crooked),
        "line 4, column 6: bar lines go through all strings: here only some have one"
    );
    let five = good.replace("A|--------|\n", "");
    assert_eq!(told(&five), "line 1, column 1: 5 lines of tab for 6 strings");
    let high = good.replace("B|--3--5--|", "B|--3--57-|");
    assert_eq!(told(&high), "line 2, column 8: there is no fret 57; put `-` between two strikes");
    let odd = good.replace("B|--3--5--|", "B|--3--5q-|");
    assert_eq!(told(&odd), "line 2, column 9: 'q' means nothing here");
    assert_eq!(told("words only\n"), "the file: there are no lines of tab in it");
    assert_eq!(told(&"-".repeat(2 << 20)), "the file: more than 1048576 bytes");
}

#[test]
fn tab_without_beats_is_read_from_its_spacing_and_says_so() {
    let text = "e|--3---5---7---8---|\nB|------------------|\nG|------------------|\n\
                D|------------------|\nA|------------------|\nE|------------------|\n";
    let reading = tab::read(text).unwrap();
    let beats: Vec<f64> = reading.lick.steps.iter().map(|step| step.beats.get()).collect();
    assert_eq!(beats, [1.0, 1.0, 1.0, 1.0]);
    assert!(reading.remarks.iter().any(|told| told.contains("read from the spacing")));
}

/// Brackets round a held or faint note are common practice; its digit stands over the others.
#[test]
fn a_bracket_moves_no_mark_of_tab() {
    let marks = |first: &str| -> Vec<String> {
        let text = format!(
            "e|{first}|\nB|--3---5---7---8---|\nG|------------------|\n\
             D|------------------|\nA|------------------|\nE|------------------|\n"
        );
        let marks = tab::read(&text).unwrap().lick.steps;
        marks.iter().map(|step| format!("{} {}", step.marks[4], step.marks[5])).collect()
    };
    let wanted = ["3 3", "5 x", "7 7", "8 x"];
    for first in ["-(3)-----(7)------", "--(3)-----(7)-----", "--3-------7-------"] {
        assert_eq!(marks(first), wanted, "{first}");
    }
}

/// Vibrato is drawn out to the length of its note (common practice).
#[test]
fn drawn_out_vibrato_is_left_out_and_told() {
    let waves = "e|-7~~-12--~~-|\nB|------------|\nG|------------|\nD|------------|\n\
                 A|------------|\nE|------------|\n";
    let reading = tab::read(waves).unwrap();
    assert_eq!(reading.lick.steps.len(), 2);
    let told = "line 1, column 4: vibrato was left out (and once more)";
    assert!(reading.remarks.iter().any(|remark| remark == told), "{:?}", reading.remarks);
}

/// `fingering`, `fermata` and `staccato` of MusicXML 4.0 have no place in a lick.
/// `swing` holds `straight`, or `first`, `second` and, if need be, `swing-type` (MusicXML 4.0, its XML Schema).
#[test]
fn what_musicxml_says_of_swing_is_taken_or_told() {
    let lick = embedded().find(|lick| lick.meter.unit == 4).unwrap();
    let document = musicxml::write(&lick).unwrap();
    let said = |swing: &str| {
        let sound = format!("<sound tempo=\"{}\"", lick.tempo_bpm);
        assert!(document.contains(&format!("{sound}/>")), "{document}");
        let swing = format!("{sound}><swing>{swing}</swing></sound>");
        let document = document.replace(&format!("{sound}/>"), &swing);
        musicxml::read(document.as_bytes()).map(|reading| {
            let swing = reading.lick.swing.map(|swing| swing.to_string());
            (
                swing,
                reading
                    .remarks
                    .into_iter()
                    .find(|remark| remark.contains("swing") || remark.contains("swung")),
            )
        })
    };
    assert_eq!(said("<straight/>").unwrap(), (None, None));
    let ratio = "<first>2</first><second>1</second>";
    assert_eq!(said(ratio).unwrap(), (Some("2:1".to_owned()), None));
    let eighths = format!("{ratio}<swing-type>eighth</swing-type>");
    assert_eq!(said(&eighths).unwrap(), (Some("2:1".to_owned()), None));
    for (kept, told) in [
        (format!("{ratio}<swing-type>16th</swing-type>"), "a lick knows no swung sixteenths"),
        ("<first>1</first><second>3</second>".to_owned(), "a swing of 1:3"),
    ] {
        let (swing, remark) = said(&kept).unwrap();
        assert_eq!(swing, None, "{kept}");
        assert!(remark.as_ref().is_some_and(|remark| remark.contains(told)), "{kept}: {remark:?}");
    }
    assert!(said("<first>two</first><second>1</second>").is_err());
}

#[test]
fn signs_of_musicxml_without_a_place_in_a_lick_are_told() {
    let document = musicxml::write(&embedded().next().unwrap()).unwrap();
    assert!(document.contains("<technical>"), "{document}");
    let signs =
        "<fermata/><articulations><staccato/></articulations><technical><fingering>1</fingering>";
    let document = document.replacen("<technical>", signs, 1);
    let reading = musicxml::read(document.as_bytes()).unwrap();
    for sign in ["fermata", "fingering", "staccato"] {
        let told = format!("a lick has no sign for {sign}: left out");
        assert!(reading.remarks.iter().any(|r| r.contains(&told)), "{:?}", reading.remarks);
    }
    assert_eq!(reading.remarks.len(), 3, "{:?}", reading.remarks);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever the bytes, there is an answer; a lick that is read can be played.
    #[test]
    fn no_bytes_bring_the_readers_down(
        which in 0usize..10,
        cuts in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6),
    ) {
        let lick = embedded().nth(which).unwrap();
        for mut bytes in [
            musicxml::write(&lick).unwrap().into_bytes(),
            musicxml::write_compressed(&lick).unwrap(),
            midi::write(&lick, &midi::Options::default()),
            tab::write(&lick).unwrap().into_bytes(),
        ] {
            for (index, value) in &cuts {
                let at = index.index(bytes.len());
                bytes[at] = *value;
            }
            for reading in [
                musicxml::read(&bytes),
                midi::read(&bytes, None),
                midi::read(&bytes, Some(4)),
                tab::read(&String::from_utf8_lossy(&bytes)),
            ].into_iter().flatten() {
                prop_assert!(reading.lick.check().is_ok());
            }
        }
    }
}

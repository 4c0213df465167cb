//! The practice sheet: self-contained, safe, and printed on both paper sizes by a browser.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "support/skip.rs"]
mod skip;

use std::path::Path;
use std::process::Command;

use doublecheck::lick;
use doublecheck::lick::Lick;
use doublecheck::report::sheet::sheet;
use doublecheck::theory::note::Reference;

use skip::skip;

fn pages() -> impl Iterator<Item = (Lick, String)> {
    lick::library::names().map(|name| {
        let lick = lick::find(name).unwrap();
        let page = sheet(&lick, Reference::default());
        (lick, page)
    })
}

#[test]
fn a_sheet_needs_no_script_and_no_outside_file() {
    for (lick, page) in pages() {
        for outside in ["<script", "http", "src=", "href=", "url(", "@import", "onload"] {
            assert!(!page.contains(outside), "{}: {outside}", lick.title);
        }
        assert!(page.contains(&lick.title));
        assert!(!page.contains("NaN") && !page.contains("inf"), "{}", lick.title);
    }
}

#[test]
fn a_sheet_takes_a_title_for_text() {
    let title = "<script>alert(1)</script> & \"so on\"";
    let lick = Lick { title: title.to_owned(), ..lick::find("two-brooks").unwrap() };
    let page = sheet(&lick, Reference::default());
    assert!(!page.contains("<script"));
    assert!(page.contains("&lt;script&gt;alert(1)&lt;/script&gt; &amp;"));
}

/// Two beats and a half from the third beat on are a half note tied over the bar line to an eighth (any primer of
/// notation).
#[test]
fn what_crosses_a_bar_line_is_tied_over_it() {
    let drawn = |beats: &str, frets: &str| {
        let text = format!(
            "title = \"t\"\nkey = \"C major\"\ntempo = 90\nmeter = \"4/4\"\nsteps = [\n\
             {{ beats = 2, frets = \"x x x 5 5 x\" }}, {{ beats = {beats}, frets = \"{frets}\" }} ]\n"
        );
        let lick = Lick::parse(&text, "t.toml").unwrap();
        sheet(&lick, Reference::default())
    };
    let ties = |page: &str| page.matches("class=\"tie\"").count();
    let within = drawn("2", "x x x 7 = x");
    let over = drawn("2.5", "x x x 7 = x");
    assert_eq!((ties(&within), ties(&over), ties(&drawn("2.5", "x x x x x x"))), (0, 1, 0));
    assert!(!over.contains("5/2") && !over.contains("2.50"), "{over}");
    let bars = |page: &str| page.matches("y1=\"18\"").count();
    assert_eq!(bars(&over), bars(&within) + 1, "a bar more begins");
}

/// A4 is 210 by 297 mm (ISO 216), Letter 8.5 by 11 inches (ANSI Y14.1); a point is 1/72 inch.
#[test]
fn a_browser_prints_the_sheet_on_both_papers() {
    let folder = tempfile::tempdir().unwrap();
    for (paper, width, height) in [("A4", 595.3, 841.9), ("letter", 612.0, 792.0)] {
        for (lick, page) in pages().take(2) {
            let sized = page.replace("@page {", &format!("@page {{ size: {paper};"));
            let html = folder.path().join("sheet.html");
            let pdf = folder.path().join(format!("{paper}.pdf"));
            std::fs::write(&html, sized).unwrap();
            let Some(bytes) = print(&html, &pdf) else {
                skip("there is no chromium to print with");
                return;
            };
            let boxes = media_boxes(&bytes);
            assert!((1..=3).contains(&boxes.len()), "{}: {boxes:?}", lick.title);
            for (w, h) in boxes {
                let right = (w - width).abs() < 1.0 && (h - height).abs() < 1.0;
                assert!(right, "{} on {paper}: {w} by {h} points", lick.title);
            }
        }
    }
}

fn print(html: &Path, pdf: &Path) -> Option<Vec<u8>> {
    let run = Command::new("chromium")
        .args(["--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer"])
        .arg(format!("--print-to-pdf={}", pdf.display()))
        .arg(format!("file://{}", html.display()))
        .output()
        .ok()?;
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    Some(std::fs::read(pdf).unwrap())
}

/// Width and height of every page, in points (PDF 32000-1, 7.7.3.3).
fn media_boxes(pdf: &[u8]) -> Vec<(f64, f64)> {
    let text = String::from_utf8_lossy(pdf);
    text.split("/MediaBox [")
        .skip(1)
        .map(|rest| {
            let numbers: Vec<f64> = rest
                .split(']')
                .next()
                .unwrap()
                .split_whitespace()
                .map(|n| n.parse().unwrap())
                .collect();
            (numbers[2] - numbers[0], numbers[3] - numbers[1])
        })
        .collect()
}

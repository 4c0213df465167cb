//! Blind, on a real take: an acoustic guitar comping for 22 s (`../shared/data/takes`).

use crate::Plan;
use crate::chords::blind;
use crate::support::corpus::data_dir;
use crate::support::corpus::read;
use crate::support::counting::Notes;
use crate::support::counting::Sounding;
use crate::support::counting::pairs;
use crate::support::figures::Target;
use crate::support::figures::figure;
use crate::support::figures::spread;
use crate::support::nearest_midi;
use crate::support::score::hear;

const TAKE: &str = "takes/00_BN1-129-Eb_comp";

pub fn measure(plan: &Plan) {
    let Some(dir) = data_dir() else {
        println!("skipped, ../shared/data is not there");
        return;
    };
    let text = std::fs::read_to_string(dir.join(format!("{TAKE}.notes.csv"))).expect("the truth");
    let truth: Vec<Sounding> = text.lines().skip(1).map(note).collect();
    let (samples, rate) = read(&dir.join(format!("{TAKE}.flac")));
    let heard_for = if plan.quick { samples.len() / 5 } else { samples.len() };
    let take = hear(&samples[..heard_for], rate);
    let told = blind(&take);
    let notes = Notes::of(&truth, &told);
    println!("{} notes, {} told in {} strikes", truth.len(), told.len(), take.strikes.len());
    figure("note F1, 50 ms, 50 cents, no offsets", notes.f1(), "", Target::AtLeast(0.9));
    figure("… precision", notes.precision(), "", Target::None);
    figure("… recall", notes.recall(), "", Target::None);
    let pairs = pairs(&truth, &told);
    let times: Vec<f64> =
        pairs.iter().map(|&(r, e)| 1000.0 * (told[e].onset_s - truth[r].onset_s)).collect();
    spread("… time of matched notes", &times, "ms", Target::None, Target::None);
    plan.tell(&faults(&truth, &told, &pairs));
}

fn note(line: &str) -> Sounding {
    let field: Vec<f64> = line.split(',').map(|f| f.parse().expect("a number")).collect();
    Sounding { onset_s: field[0], hz: 440.0 * ((field[2] - 69.0) / 12.0).exp2() }
}

/// What was missed and what was told beyond it, in order of time.
fn faults(truth: &[Sounding], told: &[Sounding], pairs: &[(usize, usize)]) -> Vec<String> {
    let missed = truth.iter().enumerate().filter(|(i, _)| pairs.iter().all(|p| p.0 != *i));
    let beyond = told.iter().enumerate().filter(|(i, _)| pairs.iter().all(|p| p.1 != *i));
    let mut faults: Vec<(f64, String)> = missed
        .map(|(_, n)| (n, "missed"))
        .chain(beyond.map(|(_, n)| (n, "none there")))
        .map(|(n, fault)| (n.onset_s, format!("{:.3} s {} {fault}", n.onset_s, nearest_midi(n.hz))))
        .collect();
    faults.sort_by(|a, b| a.0.total_cmp(&b.0));
    faults.into_iter().map(|f| f.1).collect()
}

//! How well the program hears: verdicts, cents, onsets, on real mixes and synthetic ones.
#![allow(missing_docs, clippy::print_stdout, clippy::unwrap_used)]

mod support;

use std::collections::BTreeMap;

use doublecheck::dsp::decimate::Decimator;
use doublecheck::dsp::spectrum::Transformer;
use doublecheck::pitch::estimate::Estimator;
use support::corpus::Random;
use support::corpus::RealNote;
use support::corpus::mix;

const INTERVALS: [i32; 14] = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 15, 16];

fn main() {
    let mut notes = support::corpus::load_notes();
    if std::env::var("FONT").is_ok() {
        notes.extend(support::corpus::soundfont_notes());
    }
    let per: usize = std::env::var("PER").ok().and_then(|s| s.parse().ok()).unwrap_or(10);
    let length: f64 = std::env::var("LEN").ok().and_then(|s| s.parse().ok()).unwrap_or(0.8);
    let verbose = std::env::var("V").is_ok();
    let mut sets: Vec<String> = notes.iter().map(|n| n.set.clone()).collect();
    sets.sort();
    sets.dedup();
    let mut random = Random(11);
    let mut table: BTreeMap<(i32, usize), (usize, usize)> = BTreeMap::new();
    let mut by_set: BTreeMap<(String, usize), (usize, usize)> = BTreeMap::new();
    let mut cents = Vec::new();
    let clock = std::time::Instant::now();
    let mut n_cases = 0;
    let decimator = Decimator::new(44_100);
    let rate = 44_100.0 / decimator.factor() as f64;
    let mut transformer = Transformer::new(rate, 32_768);
    let mut estimator = Estimator::new(&transformer);
    let mut spectrum = transformer.make_spectrum();
    let mut spent = std::time::Duration::ZERO;
    for set in &sets {
        let own: Vec<&RealNote> = notes.iter().filter(|n| n.set == *set && n.clean).collect();
        let find = |midi: i32, random: &mut Random| {
            let these: Vec<&&RealNote> = own.iter().filter(|n| i32::from(n.midi) == midi).collect();
            (!these.is_empty()).then(|| *these[random.below(these.len())])
        };
        for interval in INTERVALS {
            for class in 0..4 {
                let mut done = 0;
                let mut tries = 0;
                while done < per && tries < 1000 {
                    tries += 1;
                    let low = 40 + random.below(36) as i32;
                    let high = low + interval;
                    let expected = [low, high];
                    let mut played = vec![low, high];
                    match class {
                        1 => {
                            let i = random.below(2);
                            played[i] += if random.below(2) == 0 { 1 } else { -1 };
                            if played[0] == played[1] {
                                continue;
                            }
                        }
                        2 => {
                            played.remove(random.below(2));
                        }
                        3 => {
                            let open = [40, 45, 50, 55, 59, 64][random.below(6)];
                            let related = expected
                                .iter()
                                .any(|&e| [0, 12, 19, 24, 28, 31].contains(&(open - e)));
                            if related {
                                continue;
                            }
                            played.push(open);
                        }
                        _ => {}
                    }
                    let Some(real) = played
                        .iter()
                        .map(|&m| find(m, &mut random))
                        .collect::<Option<Vec<&RealNote>>>()
                    else {
                        continue;
                    };
                    done += 1;
                    n_cases += 1;
                    let parts: Vec<(&RealNote, f64, f64)> = real
                        .iter()
                        .map(|&n| (n, 0.05 + random.between(0.0, 0.015), random.between(-3.0, 3.0)))
                        .collect();
                    let (audio, _) = mix(&parts, 0.1 + length + 0.1);
                    let mut low_rate = Vec::new();
                    let mut d = Decimator::new(44_100);
                    d.push(&audio, |s| low_rate.push(s));
                    let start = (0.095 * rate) as usize;
                    let began = std::time::Instant::now();
                    transformer.transform(
                        &low_rate[start..start + (length * rate) as usize],
                        &mut spectrum,
                    );
                    let found = estimator.estimate(&spectrum).to_vec();
                    spent += began.elapsed();
                    let mut heard: Vec<i32> = found
                        .iter()
                        .map(|f| (69.0 + 12.0 * (f.fitted.tone.f1 / 440.0).log2()).round() as i32)
                        .collect();
                    heard.sort();
                    let verdict_right = heard == expected;
                    let truth_right = class == 0;
                    let verdict_wrong = heard.iter().any(|h| !expected.contains(h));
                    let correct = match class {
                        0 => verdict_right,
                        1 | 3 => verdict_wrong,
                        _ => !verdict_right && !verdict_wrong,
                    };
                    let _ = truth_right;
                    let cell = table.entry((interval, class)).or_default();
                    cell.0 += usize::from(correct);
                    cell.1 += 1;
                    let cell = by_set.entry((set.clone(), class)).or_default();
                    cell.0 += usize::from(correct);
                    cell.1 += 1;
                    if class == 0 && verdict_right {
                        for (f, n) in found.iter().zip(&real) {
                            cents.push(1200.0 * (f.fitted.tone.f1 / n.f1_hz).log2().abs());
                        }
                    }
                    if verbose && !correct {
                        let words: Vec<String> = found
                            .iter()
                            .map(|f| {
                                format!(
                                    "{:.2}[s{:.1} l{:.0} x{:.2}]",
                                    69.0 + 12.0 * (f.fitted.tone.f1 / 440.0).log2(),
                                    f.evidence.score,
                                    f.evidence.level_db,
                                    f.evidence.exclusive_share
                                )
                            })
                            .collect();
                        println!(
                            "{set} i{interval} c{class} exp {expected:?} played {played:?} heard {}",
                            words.join(" ")
                        );
                    }
                }
            }
        }
    }
    for interval in INTERVALS {
        let cells: Vec<String> = (0..4)
            .map(|c| {
                let (good, all) = table.get(&(interval, c)).copied().unwrap_or_default();
                format!("{:6.1}", 100.0 * good as f64 / all.max(1) as f64)
            })
            .collect();
        println!("{interval:3} {}", cells.join(" "));
    }
    for set in &sets {
        let cells: Vec<String> = (0..4)
            .map(|c| {
                let (good, all) = by_set.get(&(set.clone(), c)).copied().unwrap_or_default();
                format!("{:6.1}", 100.0 * good as f64 / all.max(1) as f64)
            })
            .collect();
        println!("{set:16} {}", cells.join(" "));
    }
    cents.sort_by(f64::total_cmp);
    if !cents.is_empty() {
        println!(
            "cents median {:.3} 95% {:.3}",
            cents[cents.len() / 2],
            cents[cents.len() * 95 / 100]
        );
    }
    println!(
        "{n_cases} cases, {:.2} s, {:.3} ms each in the ear",
        clock.elapsed().as_secs_f64(),
        spent.as_secs_f64() * 1000.0 / n_cases as f64
    );
}

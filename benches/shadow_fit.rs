//! Writes the evidence for true and false tones in the shadow of a lower one, as CSV.
#![allow(missing_docs, clippy::print_stdout, clippy::unwrap_used)]

mod support;

use doublecheck::dsp::decimate::Decimator;
use doublecheck::dsp::spectrum::Transformer;
use doublecheck::pitch::fit::Fitter;
use doublecheck::pitch::shadow;
use doublecheck::pitch::tone::Tone;
use support::corpus::Random;
use support::corpus::RealNote;
use support::corpus::mix;

fn main() {
    let mut notes = support::corpus::load_notes();
    notes.extend(support::corpus::soundfont_notes());
    let mut sets: Vec<String> = notes.iter().map(|n| n.set.clone()).collect();
    sets.sort();
    sets.dedup();
    let mut random = Random(7);
    println!(
        "set,label,ratio,third,length,low,level,f0,f1,f2,f3,f4,f5,f6,f7,f8,f9,f10,f11,f12,f13,f14,f15,f16,f17,f18,f19,f20,f21"
    );
    let per_set: usize = std::env::var("PER_SET").ok().and_then(|s| s.parse().ok()).unwrap_or(400);
    for set in &sets {
        let own: Vec<&RealNote> = notes.iter().filter(|n| n.set == *set && n.clean).collect();
        let mut done = 0;
        while done < per_set {
            let ratio = [2, 2, 3, 4][random.below(4)];
            let semitones = [0, 0, 12, 19, 24][ratio];
            let low = own[random.below(own.len())];
            let high: Vec<&&RealNote> =
                own.iter().filter(|n| n.midi == low.midi + semitones).collect();
            if high.is_empty() {
                continue;
            }
            let high = high[random.below(high.len())];
            done += 1;
            let third = (random.below(3) == 0).then(|| own[random.below(own.len())]).filter(|t| {
                let d = i32::from(t.midi) - i32::from(low.midi);
                ![0, 12, -12, 19, -19, 24, -24, 28, 31].contains(&d)
                    && t.midi != high.midi
                    && ![12, 19, 24].contains(&(i32::from(high.midi) - i32::from(t.midi)))
            });
            let length = [0.12, 0.17, 0.25, 0.4, 0.7, 1.2][random.below(6)];
            for label in [0, 1] {
                let level = random.between(-6.0, 6.0);
                let mut parts = vec![(low, 0.05 + random.between(0.0, 0.015), 0.0)];
                if label == 1 {
                    // detuned a little by resampling would change the string: level and time only
                    parts.push((*high, 0.05 + random.between(0.0, 0.015), level));
                }
                if let Some(t) = third {
                    parts.push((t, 0.05 + random.between(0.0, 0.015), random.between(-6.0, 6.0)));
                }
                let (mut audio, _) = mix(&parts, 0.1 + length + 0.1);
                let noise = 10_f64.powf(-random.between(35.0, 70.0) / 20.0) * 0.2;
                for s in &mut audio {
                    *s += (noise * (random.unit() + random.unit() + random.unit() - 1.5)) as f32;
                }
                let mut decimator = Decimator::new(44_100);
                let mut x = Vec::new();
                decimator.push(&audio, |s| x.push(s));
                let rate = 44_100.0 / decimator.factor() as f64;
                let mut transformer = Transformer::new(rate, 32_768);
                let mut spectrum = transformer.make_spectrum();
                let start = (0.095 * rate) as usize;
                transformer.transform(&x[start..start + (length * rate) as usize], &mut spectrum);
                let mut fitter = Fitter::new(32_768);
                fitter.fit(&spectrum, &[], 0);
                let track = |t: f64, fitter: &Fitter| {
                    doublecheck::pitch::presence::examine(&spectrum, fitter, Tone::at(t), 1.0).tone
                };
                let mut tones = vec![track(low.f1_hz, &fitter)];
                if let Some(t) = third {
                    tones.push(track(t.f1_hz, &fitter));
                }
                fitter.fit(&spectrum, &tones, 3);
                let Some(s) = shadow::examine(&spectrum, &fitter, 0, ratio) else { continue };
                let mut features = s.features.to_vec();
                let (gain, cents, rough) = shadow::split(&spectrum, &fitter, 0, ratio, 0);
                let (gain1, _, rough1) = shadow::split(&spectrum, &fitter, 0, ratio, 1);
                features.extend([gain, cents.abs(), rough, gain - gain1, rough - rough1, rough1]);
                let tones: Vec<Tone> = fitter.tones().iter().map(|t| t.tone).collect();
                transformer.transform(
                    &x[start..start + (length.min(0.17) * rate) as usize],
                    &mut spectrum,
                );
                fitter.fit(&spectrum, &tones, 0);
                let Some(s) = shadow::examine(&spectrum, &fitter, 0, ratio) else { continue };
                features.extend(s.features);
                let values: Vec<String> = features.iter().map(|f| format!("{f:.4}")).collect();
                println!(
                    "{set},{label},{ratio},{},{length},{},{level:.1},{}",
                    u8::from(third.is_some()),
                    low.midi,
                    values.join(",")
                );
            }
        }
    }
}

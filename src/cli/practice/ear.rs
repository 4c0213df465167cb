//! What comes of the samples: they are judged, recorded, and their level is shown.

use std::path::Path;
use std::path::PathBuf;

use super::tape::Tape;
use crate::audio::AudioError;
use crate::audio::Chunk;
use crate::lick::expected::Expected;
use crate::practice::session::News;
use crate::practice::session::Session;
use crate::practice::session::Settings;
use crate::report::screen::Level;
use crate::units::Clipping;

/// What comes of the samples.
#[derive(Debug)]
pub struct Ear {
    /// Who judges.
    pub session: Session,
    /// Who records.
    pub tape: Tape,
    /// The level.
    pub meter: LevelMeter,
    /// What was told and not yet shown.
    pub news: Vec<News>,
    /// The recording of every pass that is over, in order; `None` where recording failed.
    pub kept: Vec<Option<PathBuf>>,
    /// Why nothing is recorded any more, to be told once.
    pub trouble: Option<AudioError>,
}

impl Ear {
    /// An ear for `expected`, that records to `folder`.
    pub fn new(expected: Expected, settings: Settings, folder: &Path, stem: String) -> Self {
        Self {
            session: Session::new(expected, settings),
            tape: Tape::new(folder, stem, settings.rate),
            meter: LevelMeter::default(),
            news: Vec::new(),
            kept: Vec::new(),
            trouble: None,
        }
    }

    /// Takes what came in.
    pub fn take(&mut self, chunk: Chunk<'_>) {
        let before = self.news.len();
        let recorded = match chunk {
            Chunk::Samples(samples) => {
                self.meter.take(samples);
                self.session.push(samples, &mut self.news);
                Ok(())
            }
            Chunk::Gap(lost) => {
                let recorded = self.tape.gap(&self.session, lost);
                self.session.gap(lost, &mut self.news);
                recorded
            }
        };
        let over = self.news[before..].iter().find_map(|news| match news {
            News::Over(over) => Some(over.end),
            _ => None,
        });
        // A pass that is over has its place among the kept ones, whatever became of its recording.
        let followed = match over {
            Some(end) => {
                let cut = self.tape.cut(&self.session, end);
                self.kept.push(cut.as_ref().ok().cloned().flatten());
                cut.map(|_| ())
            }
            None => self.tape.follow(&self.session),
        };
        self.trouble = self.trouble.take().or(recorded.err()).or(followed.err());
    }
}

/// The level of the input over the last moments.
#[derive(Debug, Default)]
pub struct LevelMeter {
    power: f64,
    peak: f64,
    clipping: Clipping,
    clipped: f64,
}

impl LevelMeter {
    /// Both readings fall by half in this many samples.
    const HALF: f64 = 6_000.0;
    /// Samples that were cut off are told of this many times longer.
    const REMEMBER: f64 = 20.0;

    fn take(&mut self, samples: &[f32]) {
        if samples.is_empty() {
            return;
        }
        let n = samples.len() as f64;
        let fall = 0.5_f64.powf(n / Self::HALF);
        let power = samples.iter().map(|s| f64::from(s * s)).sum::<f64>() / n;
        let peak = samples.iter().fold(0.0_f32, |peak, s| peak.max(s.abs()));
        self.power = self.power * fall + power * (1.0 - fall);
        self.peak = (self.peak * fall).max(f64::from(peak));
        self.clipped *= fall.powf(1.0 / Self::REMEMBER);
        let before = self.clipping.count();
        samples.iter().for_each(|&sample| self.clipping.add(sample));
        if self.clipping.count() > before {
            self.clipped = 1.0;
        }
    }

    /// As the screen shows it.
    pub fn level(&self) -> Level {
        let db = |ratio: f64| 10.0 * (ratio + 1e-12).log10();
        Level {
            // A full-scale sine is 0 dB; its power is one half.
            mean_db: db(2.0 * self.power),
            peak_db: db(self.peak * self.peak),
            clipped: self.clipped > 0.5,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_peak_above_full_scale_that_is_whole_does_not_read_as_clipping() {
        let sine = |level: f32, most: f32| {
            let samples = (0..4800).map(|k| level * (0.05 * k as f32).sin().clamp(-most, most));
            let mut meter = LevelMeter::default();
            meter.take(&samples.collect::<Vec<f32>>());
            meter.level().clipped
        };
        assert!(!sine(1.5, 1.0), "whole");
        assert!(sine(1.5, 0.8), "cut off");
        assert!(!sine(0.5, 0.8), "cut off elsewhere, as a pedal does");
    }
}

//! What sounds beside the tones that were found: in their shadow, an octave or a twelfth above, or so
//! faint that it only counts where it was asked for.

use super::Engine;
use super::MOST_BESIDE_TOLD;
use super::confidence;
use super::event::HeardPitch;
use super::several::Several;
use super::struck::SURELY;
use super::struck::Struck;
use crate::pitch::estimate::LEAST_FAINT;
use crate::pitch::fit::MAX_TONES;
use crate::pitch::tone::Tone;
use crate::units::Decibels;
use crate::units::Hertz;

/// A tone in another's shadow that was asked for counts from these log odds on. Of guitars the
/// weights were not fitted on, 7 % are missed at 0 and 4 % heard where there are none: this evens it.
const LEAST_SHADOW: f64 = -0.5;
/// … less likely ones down to these are faint: they count in chords, of which nearly all is played.
const FAINT_SHADOW: f64 = -3.0;
/// A tone in another's shadow is told unasked from these log odds on, and only where at most two
/// other tones sound: of more, some ring on, and their beating looks like one. A right double stop
/// called wrong does more harm than an octave too many that goes unnoticed.
const TOLD_SHADOW: f64 = 6.0;
/// … a double octave, whose partials are few, from these.
const TOLD_DOUBLE_OCTAVE: f64 = 7.5;
/// … and only where it was listened for longer than this, in seconds: partials that beat slowly look like two.
const TOLD_FROM_S: f64 = 0.13;

/// A faint tone came with the strike if its log odds of having been struck are above this; where nothing rang
/// before, or nothing can be compared, they are not.
const RISEN: f64 = 0.0;

/// Partials nearer than this to each other, relative to their frequency, beat (25 cents).
const SHARED_RELATIVE: f64 = 0.0145;
/// The stretch that tells most of tones in the shadow of others.
const ATTACK_S: f64 = 0.17;
/// The pitch of such a tone is known no better than this (root mean square of errors 5 to 7 cents, half of them within
/// 2 to 4): two lines this near to each other pull at one another, however well both are fitted. In chords others pull
/// as well.
pub(super) const SHADOW_ERROR_CENTS: f64 = 6.0;
const CHORD_SHADOW_ERROR_CENTS: f64 = 8.0;
/// It is parted from them by a fit of all if that is as sure as this and leaves it within this, in cents.
const PARTED_ERROR_CENTS: f64 = 4.0;
const PARTED_CENTS: f64 = 12.0;
/// A fifth partial lies 14 cents below the third it sounds like: where no line of its own shows, the pitch
/// of a string on it may be that far off.
const FIFTH_PARTIAL_ERROR_CENTS: f64 = 14.0;

/// Faint tones that are looked at, at most.
const MAX_FAINT: usize = 16;

/// Tones of a strike: those found, then those in their shadow; the faint apart.
#[derive(Debug)]
pub(super) struct Tones {
    tones: [Tone; 2 * MAX_TONES],
    /// Log odds of shadows.
    odds: [f64; MAX_TONES],
    n_found: usize,
    n_shadows: usize,
    /// Shadows less likely than [`LEAST_SHADOW`], with log odds.
    unlikely: [(Tone, f64); MAX_TONES],
    n_unlikely: usize,
    faint: [Faint; MAX_FAINT],
    n_faint: usize,
    /// Whether it was listened for long enough to tell of a shadow unasked.
    is_long: bool,
}

/// A faint tone.
#[derive(Debug, Clone, Copy)]
struct Faint {
    tone: Tone,
    /// Log odds that it sounds, and that it was struck.
    log_odds: f64,
    struck_odds: f64,
}

impl Tones {
    pub(super) fn found(&self) -> &[Tone] {
        &self.tones[..self.n_found]
    }

    fn shadows(&self) -> &[Tone] {
        &self.tones[self.n_found..self.n_found + self.n_shadows]
    }

    fn likely(&self) -> &[Tone] {
        &self.tones[..self.n_found + self.n_shadows]
    }

    /// Adds a shadow; of two that are one note the likelier stays.
    fn add_shadow(&mut self, tone: Tone, log_odds: f64) {
        if self.found().iter().any(|t| tone.is_note_of(t)) {
            return;
        }
        if log_odds < LEAST_SHADOW {
            if let Some(slot) = self.unlikely.get_mut(self.n_unlikely)
                && log_odds >= FAINT_SHADOW
            {
                *slot = (tone, log_odds);
                self.n_unlikely += 1;
            }
            return;
        }
        match self.shadows().iter().position(|t| tone.is_note_of(t)) {
            Some(i) if self.odds[i] >= log_odds => {}
            Some(i) => {
                self.tones[self.n_found + i] = tone;
                self.odds[i] = log_odds;
            }
            None if self.n_shadows < self.odds.len() => {
                self.tones[self.n_found + self.n_shadows] = tone;
                self.odds[self.n_shadows] = log_odds;
                self.n_shadows += 1;
            }
            None => {}
        }
    }

    fn add_faint(&mut self, tone: Tone, log_odds: f64) {
        let faint = self.faint[..self.n_faint].iter().map(|f| &f.tone);
        if self.likely().iter().chain(faint).any(|t| tone.is_note_of(t)) {
            return;
        }
        if let Some(slot) = self.faint.get_mut(self.n_faint) {
            *slot = Faint { tone, log_odds, struck_odds: RISEN };
            self.n_faint += 1;
        }
    }
}

impl Engine {
    /// What was found last, and what may sound beside it between `from` and `to`.
    pub(super) fn look_beside(&mut self, from: u64, to: u64) -> Tones {
        let mut tones = Tones {
            tones: [Tone::at(440.0); 2 * MAX_TONES],
            odds: [0.0; MAX_TONES],
            n_found: self.estimator.found().len(),
            n_shadows: 0,
            unlikely: [(Tone::at(440.0), 0.0); MAX_TONES],
            n_unlikely: 0,
            faint: [Faint { tone: Tone::at(440.0), log_odds: 0.0, struck_odds: 0.0 }; MAX_FAINT],
            n_faint: 0,
            is_long: (to - from) > self.samples(TOLD_FROM_S),
        };
        for (slot, found) in tones.tones.iter_mut().zip(self.estimator.found()) {
            *slot = found.fitted.tone;
        }
        self.look_for_shadows(from, to, &mut tones);
        for faint in self.estimator.faint() {
            tones.add_faint(faint.tone, faint.log_odds);
        }
        tones
    }

    fn look_for_shadows(&mut self, from: u64, to: u64, tones: &mut Tones) {
        let attack = self.stretch(from, to.min(from + self.samples(ATTACK_S)));
        if attack.len() < self.samples(0.09) as usize {
            return;
        }
        self.transformer.transform(&self.stream[attack], &mut self.attack);
        let context = tones.tones;
        self.shadows.survey(
            [&self.attack, &self.spectrum],
            &mut self.fitter,
            &context[..tones.n_found],
            FAINT_SHADOW,
            |_, _, shadow| tones.add_shadow(Tone::at(shadow.f1), shadow.log_odds),
        );
    }

    /// Which of `tones` were struck, and what else was.
    pub(super) fn struck_beside(&mut self, onset: u64, end: u64, tones: &mut Tones) -> Struck {
        let likely = Several::of(tones.likely().iter().copied());
        let previous = self.previous;
        let Some(around) = self.look_around(onset, end, &likely, &previous) else {
            return Struck::surely();
        };
        let struck = self.compare(&around, &likely);
        // One by one: what is hardly there shall not take a share of what is.
        for faint in &mut tones.faint[..tones.n_faint] {
            let odds = self.compare_one(&around, &likely, faint.tone).unwrap_or(RISEN);
            // Where nothing rang before, everything rose.
            faint.struck_odds = if previous.is_empty() { odds.min(RISEN) } else { odds };
        }
        struck
    }

    /// Adds what sounds beside the tones found to `strike`.
    pub(super) fn tell_beside(&mut self, tones: &Tones, struck: &Struck) {
        let found = tones.found();
        let error_cents = match found.len() {
            0..=MOST_BESIDE_TOLD => SHADOW_ERROR_CENTS,
            _ => CHORD_SHADOW_ERROR_CENTS,
        };
        for (i, (tone, &log_odds)) in tones.shadows().iter().zip(&tones.odds).enumerate() {
            let tone = self.part(found, *tone);
            let is_overtone = found.iter().any(|t| tone.is_overtone_of(t));
            let error_cents = if is_overtone { error_cents } else { FIFTH_PARTIAL_ERROR_CENTS };
            let struck_odds = struck.odds.get(found.len() + i).copied().unwrap_or(SURELY);
            let Some(pitch) = self.beside(&tone, error_cents, struck_odds, log_odds) else {
                continue;
            };
            let double = found.iter().any(|t| (tone.cents_from(t) - 2400.0).abs() < 60.0);
            let least = if double { TOLD_DOUBLE_OCTAVE } else { TOLD_SHADOW };
            // Two strings an octave apart beat at the next octave as a third string would.
            let stacked = tones
                .shadows()
                .iter()
                .zip(&tones.odds)
                .any(|(other, &odds)| odds > 0.0 && tone.is_overtone_of(other));
            let told = tones.is_long
                && found.len() <= MOST_BESIDE_TOLD
                && is_overtone
                && !stacked
                && !is_shared(&tone, found)
                && log_odds >= least;
            let pitch = HeardPitch { likely: told, ..pitch };
            if told { &mut self.strike.notes } else { &mut self.strike.doubtful }.push(pitch);
        }
        for faint in &tones.faint[..tones.n_faint] {
            if faint.log_odds < LEAST_FAINT && faint.struck_odds <= RISEN {
                continue;
            }
            let tone = self.part(found, faint.tone);
            let log_odds = faint.log_odds.max(LEAST_FAINT);
            self.strike.faint.extend(self.beside(&tone, error_cents, faint.struck_odds, log_odds));
        }
        for &(tone, log_odds) in &tones.unlikely[..tones.n_unlikely] {
            // Its partials are those of the tones below it: it was struck if one of these was.
            let below =
                found.iter().zip(&struck.odds).filter(|(other, _)| tone.is_overtone_of(other));
            let struck_odds = below.map(|(_, &odds)| odds).fold(-SURELY, f64::max).min(RISEN);
            let tone = self.part(found, tone);
            self.strike.faint.extend(self.beside(&tone, error_cents, struck_odds, log_odds));
        }
        for &(tone, log_odds) in struck.above() {
            let tone = self.part(found, tone);
            self.strike.faint.extend(self.beside(&tone, error_cents, log_odds, log_odds));
        }
    }

    /// What is told of a `tone` that is heard beside others, if at all.
    pub(super) fn beside(
        &self,
        tone: &Tone,
        error_cents: f64,
        struck_odds: f64,
        log_odds: f64,
    ) -> Option<HeardPitch> {
        Some(HeardPitch {
            frequency: Hertz::new(tone.f1)?,
            error_cents: Some(error_cents),
            stiffness: None,
            level: Decibels(20.0 * self.amplitude_at(tone.f1).log10()),
            struck_odds,
            confidence: confidence(log_odds),
            likely: false,
            rang: self.rang(tone),
            lasting: None,
            grace: None,
            unison: None,
        })
    }

    /// The pitch of a tone in the shadow of `tones`: parted from them in the spectrum made last where its
    /// partials lie far enough from theirs.
    fn part(&mut self, tones: &[Tone], shadow: Tone) -> Tone {
        let mut all = [shadow; MAX_TONES];
        let n = tones.len().min(MAX_TONES - 1);
        all[..n].copy_from_slice(&tones[..n]);
        self.fitter.fit(&self.spectrum, &all[..=n], 3);
        let fitted = &self.fitter.tones()[n];
        let moved = fitted.tone.cents_from(&shadow).abs();
        let parted = fitted.error_cents < PARTED_ERROR_CENTS && moved < PARTED_CENTS;
        if parted { fitted.tone } else { shadow }
    }

    /// The largest amplitude of the spectrum near `hz`, never quite 0.
    fn amplitude_at(&self, hz: f64) -> f64 {
        let near = self.spectrum.range_around(hz, self.spectrum.width_hz);
        let power = self.spectrum.bins[near].iter().map(|b| b.norm_sqr()).fold(1e-12, f32::max);
        f64::from(power).sqrt()
    }
}

/// Whether a low partial of `tone` lies where partials of two of `found` meet, as those of a fifth do at
/// three times the lower: their beating looks like it.
fn is_shared(tone: &Tone, found: &[Tone]) -> bool {
    (1..=3).any(|n| {
        let hz = tone.partial(n);
        let holds = |other: &&Tone| {
            let m = (hz / other.f1).round().max(1.0) as usize;
            m <= 8 && (hz / other.partial(m)).ln().abs() < SHARED_RELATIVE
        };
        found.iter().filter(holds).count() > 1
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn partials_of_a_fifth_meet_on_the_octaves_of_both() {
        let tone = |midi: f64| Tone::at(440.0 * ((midi - 69.0) / 12.0).exp2());
        let fifth = [tone(62.0), tone(69.0)];
        assert!(is_shared(&tone(81.0), &fifth), "twice the upper is three times the lower");
        assert!(is_shared(&tone(74.0), &fifth), "its third partial is four times the upper's");
        assert!(!is_shared(&tone(72.0), &[tone(60.0), tone(64.0)]));
    }
}

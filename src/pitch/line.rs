//! The line of a stiff string, drawn through the partials of a fit: first partial, stiffness, and how
//! surely both are known.
//!
//! A partial tells its frequency as exactly as noise allows, and strays from the line of an ideal
//! string besides: bridge, body and magnets move it. How far the partials of *this* string stray is
//! read off their scatter, and each counts by both together. So a string that keeps to its line is
//! measured with all its partials; of one that strays, no few loud ones draw the line.
//!
//! Under a Hann window few samples count; with all of them noise moves a line half as far, but what glides
//! or decays moves it more. So it is drawn both ways, and the sharper one taken where they agree.
//!
//! **Conventions.** Frequencies are relative to the partial's own; errors are one standard error.
//! **Limits.** A partial is heard only where the line is known to lie within a width of it, so that a
//! line is drawn from the lowest partials to the highest, in some rounds. A first partial some four
//! cents off the others' line can hold it there (then with an error of one to three cents).
//! **Reference.** H. Fletcher 1964 (see [`super::tone`]). Scatter beyond the known errors: R. Paule,
//! J. Mandel, «Consensus values and weighting factors», J. Res. Natl. Bur. Stand. 87 (1982).

use std::f64::consts::LN_2;

use super::equations::Equations;
use super::fit::Fitter;
use super::fit::MAX_TONES;
use super::fit::Partial;
use super::stiffness::Gauge;
use super::tone::MAX_PARTIALS;
use super::tone::Stiffness;
use super::tone::Tone;
use super::tone::typical_stiffness;
use crate::dsp::spectrum::Spectrum;

/// How often lines are drawn once their stiffness was looked for, and how often from the whole.
const SETTLED_ROUNDS: usize = 2;
const WHOLE_ROUNDS: usize = 2;
/// The first partial is known to so many widths before the line is drawn.
const FIRST_WIDTHS: f64 = 0.25;
/// A partial is heard where the line is known to lie within so many widths of it.
const HEARD_WIDTHS: f64 = 0.8;
/// Fainter partials are noise: amplitude over that of the noise.
const LEAST_CLARITY: f64 = 3.0;
/// Partials further off than this many standard errors are another's, or no line at all.
const FAR: f64 = 3.0;
/// Lines that lie so many standard errors apart tell the same.
const AGREED: f64 = 3.5;
/// Partials of a string of which others stray do so the more the higher they are, twice as far from
/// this one on: what is left out of the string's law bends the line as stiffness does.
const STRAYS_FROM: f64 = 8.0;
/// Neighbours stray alike, so that the mean of many strays too: by this share of what one does …
const AKIN: f64 = 0.65;
/// … and a pitch that moves is known no better than this share of how far. Both are fitted by
/// `benches/fit_cents.py`.
const MOVES: f64 = 1.0;
/// The mean of a pitch that glides lies within half of how far its first half lies off.
const HALF_MOVES: f64 = 0.5;
/// Cents of a small relative change.
const CENTS: f64 = 1200.0 / LN_2;
/// A fit of all partials is trusted so far, to begin with: its first partial in cents, its stiffness as a
/// share of itself.
const LEAST_BEGUN_CENTS: f64 = 0.3;
const BEGUN_STIFFNESS: f64 = 0.5;
/// Straying that a line is begun with, relative (three cents), and how often it is drawn anew.
const BEGUN_STRAY: f64 = 1.7e-3;
const ROUNDS: usize = 5;
/// What a partial strays where too few tell, and the most any strays, relative (one cent and ten).
const USUAL_STRAY: f64 = 5.8e-4;
const MOST_STRAY: f64 = 5.8e-3;

/// A line; see above.
#[derive(Debug, Clone, Copy)]
pub struct Line {
    /// First partial and stiffness.
    pub tone: Tone,
    /// How far its lowest partials stray from it, relative to their frequencies.
    pub stray: f64,
    /// What is known of the stiffness beforehand.
    prior: Stiffness,
    /// Variances of first partial (relative) and stiffness, and between them their covariance.
    spread: [f64; 3],
    /// How far the pitch moves while it sounds, beyond chance.
    pub moved_cents: f64,
    /// Partials that told more than the two unknowns need.
    freedom: f64,
}

/// Draws the lines of `tones` in one sound: the spectrum of its settled part, and of the whole under a
/// flat window; how far they move is seen in `early`, the first half of the settled part. Tells what
/// `gauge` finds of the strings' stiffness besides.
pub fn draw(
    [settled, whole]: [&Spectrum; 2],
    early: Option<&Spectrum>,
    fitter: &mut Fitter,
    gauge: Option<&mut Gauge>,
    tones: &[Tone],
) -> ([Line; MAX_TONES], [Option<Stiffness>; MAX_TONES]) {
    let n = tones.len();
    let mut all = [Line::begin(Tone::at(440.0), settled.width_hz); MAX_TONES];
    let lines = &mut all[..n];
    fitter.fit(settled, tones, 3);
    let fitted = fitter.tones().iter().map(|fitted| fitted.tone);
    for (line, fitted) in lines.iter_mut().zip(fitter.tones()) {
        *line = Line::begin(fitted.tone, settled.width_hz);
        let error = fitted.error_cents.max(LEAST_BEGUN_CENTS) / CENTS;
        line.spread[0] = line.spread[0].min(error * error);
        line.spread[2] = line.spread[2].min((BEGUN_STIFFNESS * fitted.tone.stiffness).powi(2));
    }
    let stiffness = gauge.map_or([None; MAX_TONES], |gauge| gauge.measure(settled, fitted));
    for (line, known) in lines.iter_mut().zip(stiffness) {
        *line = known.map_or(*line, |known| line.with(known));
    }
    for _ in 0..SETTLED_ROUNDS {
        redraw(lines, settled, fitter);
    }
    let [mut wholes, mut halves] = [all; 2];
    let (lines, wholes) = (&mut all[..n], &mut wholes[..n]);
    for _ in 0..WHOLE_ROUNDS {
        redraw(wholes, whole, fitter);
    }
    if let Some(early) = early {
        redraw(&mut halves[..n], early, fitter);
    }
    for ((line, whole), half) in lines.iter_mut().zip(wholes).zip(&halves) {
        let drift = HALF_MOVES * line.apart_cents(half);
        line.agree(whole);
        line.moved_cents = line.moved_cents.hypot(drift);
    }
    (all, stiffness)
}

/// Draws `lines` through their partials in `spectrum`.
fn redraw(lines: &mut [Line], spectrum: &Spectrum, fitter: &mut Fitter) {
    let mut tones = [Tone::at(440.0); MAX_TONES];
    tones.iter_mut().zip(lines.iter()).for_each(|(tone, line)| *tone = line.tone);
    fitter.fit(spectrum, &tones[..lines.len()], 0);
    for (t, line) in lines.iter_mut().enumerate() {
        line.redraw(spectrum, fitter, t);
    }
}

/// What a partial says: the slope of its frequency by stiffness, how far it lies above the line, and
/// the variance of that by noise, and by straying, were [`Line::stray`] 1.
type Said = [f64; 4];

impl Line {
    /// Where `tone` was found in a stretch of `1 / width_hz`, nothing being known of its stiffness.
    fn begin(tone: Tone, width_hz: f64) -> Self {
        let usual = typical_stiffness(tone.f1);
        let prior = Stiffness { b: usual, error: 2.0 * usual };
        let first = FIRST_WIDTHS * width_hz / tone.f1;
        let spread = [first * first, 0.0, prior.error * prior.error];
        Self { tone, stray: 0.0, prior, spread, moved_cents: 0.0, freedom: 0.0 }
    }

    /// Goes on from a measured stiffness.
    fn with(mut self, stiffness: Stiffness) -> Self {
        self.tone.stiffness = stiffness.b;
        self.spread = [self.spread[0], 0.0, stiffness.error.powi(2)];
        // Measured in the same sound: a place to begin from, not to be counted twice.
        self.prior = Stiffness { b: stiffness.b, error: 0.5 * stiffness.b.max(stiffness.error) };
        self
    }

    /// One standard error of the first partial, in cents.
    pub fn error_cents(&self) -> f64 {
        self.chance_cents().hypot(AKIN * CENTS * self.stray).hypot(MOVES * self.moved_cents)
    }

    /// One standard error in cents, were the partials to stray each for itself and the pitch to stand
    /// still.
    pub fn chance_cents(&self) -> f64 {
        let unseen = if self.freedom > 0.0 { 0.0 } else { USUAL_STRAY };
        CENTS * self.spread[0].sqrt().hypot(unseen)
    }

    /// Takes the line drawn from the whole sound, every sample counting, for this one, drawn from the
    /// middle of its settled part, unless both lie further apart than chance allows: then it moved.
    fn agree(&mut self, whole: &Self) {
        let apart = whole.tone.cents_from(&self.tone).abs();
        let chance = self.chance_cents();
        let moved = (apart * apart - chance * chance).max(0.0).sqrt();
        if apart <= AGREED * chance {
            *self = *whole;
        }
        self.moved_cents = moved;
    }

    /// How far `half`, drawn from half of its sound, lies off this line beyond chance, in cents.
    fn apart_cents(&self, half: &Self) -> f64 {
        let chance = 2.0 * self.chance_cents().hypot(half.chance_cents());
        let apart = half.tone.cents_from(&self.tone);
        (apart * apart - chance * chance).max(0.0).sqrt()
    }

    /// Draws the line through the partials of tone `t` of `fitter`, which was fitted to `spectrum` with
    /// this tone.
    fn redraw(&mut self, spectrum: &Spectrum, fitter: &Fitter, t: usize) {
        let mut said = [[0.0; 4]; MAX_PARTIALS];
        let mut n = 0;
        for partial in fitter.partials().iter().filter(|p| p.tone == t) {
            if let Some(says) = self.listen_to(spectrum, partial) {
                said[n] = says;
                n += 1;
            }
        }
        let said = &said[..n];
        let [mut shift, mut bend] = [0.0; 2];
        let off = |[slope, measured, ..]: &Said, shift, bend| measured - shift - bend * slope;
        // Begun with all partials counting much alike, or the loudest alone would hold the line.
        self.stray = self.stray.max(BEGUN_STRAY);
        for _ in 0..ROUNDS {
            let mut equations = Equations::default();
            for says in said {
                let [slope, measured, noise, strays] = *says;
                let variance = noise + strays * self.stray * self.stray;
                let far = off(says, shift, bend).abs() / variance.sqrt();
                let huber = (FAR / far.max(1e-12)).min(1.0);
                equations.add(huber * huber / variance, slope, measured);
            }
            let Stiffness { b, error } = self.prior;
            equations.trust_stiffness(error.powi(-2), b - self.tone.stiffness);
            let Some(line) = equations.solve() else { return };
            (shift, bend, self.spread) = (line.shift, line.bend, line.spread);
            self.freedom = n as f64 - 2.0;
            let off = said.iter().map(|says| [off(says, shift, bend), says[2], says[3]]);
            self.stray = if n > 2 { stray(off, self.freedom) } else { 0.0 };
        }
        self.tone = self.tone.moved(shift.clamp(-0.02, 0.02), bend);
    }

    /// What `partial` says; `None` if it is not to be heard.
    fn listen_to(&self, spectrum: &Spectrum, partial: &Partial) -> Option<Said> {
        let slope = self.tone.stiffness_slope(partial.n);
        let [first, both, stiffness] = self.spread;
        let known = (first + slope * (2.0 * both + slope * stiffness)).max(0.0).sqrt();
        let clarity = partial.clarity(spectrum);
        let apart = partial.apart();
        if known * partial.hz > HEARD_WIDTHS * spectrum.width_hz
            || clarity < LEAST_CLARITY
            || apart == 0.0
        {
            return None;
        }
        let relative = spectrum.width_hz / partial.hz;
        let noise = spectrum.window.offset_error() * relative / clarity;
        let strays = 1.0 + (partial.n as f64 / STRAYS_FROM).powi(2);
        Some([slope, partial.offset_widths * relative, noise * noise / apart, strays * strays])
    }
}

/// How far the lowest partials stray beyond what noise explains, from how far each lies off the line
/// and the variances of that by noise and by straying: so far that their squares, each over its
/// variance, sum up to `freedom`.
fn stray(off: impl Iterator<Item = [f64; 3]> + Clone, freedom: f64) -> f64 {
    let sum = |stray: f64| -> f64 {
        let squares =
            off.clone().map(|[off, noise, strays]| off * off / (noise + strays * stray * stray));
        squares.map(|square| square.min(FAR * FAR)).sum()
    };
    if sum(0.0) <= freedom {
        return 0.0;
    }
    let (mut low, mut high) = (0.0, MOST_STRAY);
    for _ in 0..16 {
        let middle = 0.5 * (low + high);
        if sum(middle) > freedom { low = middle } else { high = middle }
    }
    high
}

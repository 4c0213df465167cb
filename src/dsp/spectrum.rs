//! A stretch of samples in, its complex spectrum out.
//!
//! **Conventions.** The stretch is weighted with a [`Window`] and may be shorter than the
//! transform (zero-padded). Bins are scaled so that a sine of amplitude `a` on a bin shows `a`, and
//! phases refer to the middle of the stretch, so that the window's own transform is real:
//! see [`Window::kernel`]. Distances in frequency are told in *widths*, one over the stretch's length.
//! **Limits.** Bins above [`HIGHEST_HZ`] are not kept.
//! **Reference.** F. J. Harris, «On the use of windows for harmonic analysis with the discrete
//! Fourier transform», 1978.

use std::f64::consts::PI;
use std::fmt;
use std::sync::Arc;

use realfft::RealFftPlanner;
use realfft::RealToComplex;
use rustfft::num_complex::Complex32;
use rustfft::num_complex::Complex64;

use super::circle::Circle;
use super::circle::LANES;
use super::circle::RESTART;

/// Partials above this are not looked at.
pub const HIGHEST_HZ: f64 = 6500.0;

/// How a stretch is weighted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Window {
    /// Raised from its ends to its middle: lines two widths apart are told apart, whatever their level.
    Hann,
    /// Even but for its ends: every sample counts, and noise moves a line half as far, but loud lines
    /// are seen far off.
    Flat,
}

impl Window {
    /// Share of the stretch over which it rises and falls (J. Tukey 1967; all of it is Hann's).
    fn taper(self) -> f64 {
        match self {
            Self::Hann => 1.0,
            Self::Flat => 0.15,
        }
    }

    /// Its transform, 1 at `x = 0`; `x` in widths.
    ///
    /// ```text
    /// W(x) = sinc(x (1 − α/2)) · cos(παx/2) / (1 − (αx)²)
    /// ```
    pub fn kernel(self, x: f64) -> f64 {
        let (x, taper) = (x.abs(), self.taper());
        let even = PI * x * (1.0 - 0.5 * taper);
        let even = if even < 1e-6 { 1.0 } else { even.sin() / even };
        let edge = taper * x;
        let edge = if (edge - 1.0).abs() < 1e-6 {
            0.25 * PI
        } else {
            (0.5 * PI * edge).cos() / (1.0 - edge * edge)
        };
        even * edge
    }

    /// Derivative of its transform, per width.
    pub fn kernel_slope(self, x: f64) -> f64 {
        const STEP: f64 = 1e-3;
        (self.kernel(x + STEP) - self.kernel(x - STEP)) / (2.0 * STEP)
    }

    /// Standard error of a line's offset, in widths, times its amplitude over the noise of a bin:
    ///
    /// ```text
    /// √(½ · ∫(2πt)² w⁴ dt / (∫(2πt)² w² dt)² / ∫w² dt),  |t| < ½,  ∫w dt = 1
    /// ```
    pub fn offset_error(self) -> f64 {
        match self {
            Self::Hann => 0.68,
            Self::Flat => 0.427,
        }
    }
}

/// Absolute value of a complex amplitude; `norm` guards against overflow, at ten times the cost.
pub fn magnitude(z: Complex64) -> f64 {
    z.norm_sqr().sqrt()
}

/// What `samples` hold at one frequency, of `turn` radians a sample, under Hann's window: a quarter of their number
/// times the amplitude, the phase that of the first.
pub fn line_at(samples: &[f32], turn: f64) -> Complex64 {
    let swing = 2.0 * PI / samples.len().max(1) as f64;
    let (mut line, mut hann) = (Circle::new(0.0, -turn), Circle::new(0.5 * swing, swing));
    let mut sums = [[0.0; LANES]; 2];
    for samples in samples.chunks(LANES) {
        for (i, &sample) in samples.iter().enumerate() {
            let weighted = f64::from(sample) * (0.5 - 0.5 * hann.cos[i]);
            sums[0][i] += weighted * line.cos[i];
            sums[1][i] += weighted * line.sin[i];
        }
        line.advance();
        hann.advance();
    }
    let [re, im] = sums.map(|lanes| lanes.iter().sum());
    Complex64::new(re, im)
}

/// The spectrum of one stretch of samples.
#[derive(Debug)]
pub struct Spectrum {
    /// Complex amplitude of every bin up to [`HIGHEST_HZ`].
    pub bins: Vec<Complex32>,
    /// How the stretch was weighted.
    pub window: Window,
    /// Noise floor at every bin: the amplitude that noise alone has there (root mean square); empty
    /// under a flat window, where loud lines hide it.
    pub floor: Vec<f32>,
    /// Distance of two bins in hertz.
    pub bin_hz: f64,
    /// One over the length of the stretch, in hertz: the unit of resolution.
    pub width_hz: f64,
}

/// By hand, because a derived `clone_from` takes new memory.
impl Clone for Spectrum {
    fn clone(&self) -> Self {
        let (bins, floor) = (self.bins.clone(), self.floor.clone());
        Self { bins, floor, ..*self }
    }

    fn clone_from(&mut self, source: &Self) {
        self.bins.clone_from(&source.bins);
        self.floor.clone_from(&source.floor);
        self.window = source.window;
        (self.bin_hz, self.width_hz) = (source.bin_hz, source.width_hz);
    }
}

impl Spectrum {
    /// An empty spectrum with room for `max_bins` bins.
    fn with_capacity(max_bins: usize) -> Self {
        Self {
            window: Window::Hann,
            bins: Vec::with_capacity(max_bins),
            floor: Vec::with_capacity(max_bins),
            bin_hz: 1.0,
            width_hz: 1.0,
        }
    }

    /// Highest frequency that has a bin.
    pub fn top_hz(&self) -> f64 {
        self.bins.len() as f64 * self.bin_hz
    }

    /// The bins within `reach_hz` of `hz`, as a range of indices.
    pub fn range_around(&self, hz: f64, reach_hz: f64) -> std::ops::Range<usize> {
        let low = ((hz - reach_hz) / self.bin_hz).max(0.0);
        let high = ((hz + reach_hz) / self.bin_hz).max(0.0) as u32;
        // Rounded up without a call of the mathematics library.
        let low = low as u32 + u32::from(f64::from(low as u32) < low);
        (low as usize).min(self.bins.len())..(high as usize + 1).min(self.bins.len())
    }

    /// Noise floor at `hz`.
    pub fn floor_at(&self, hz: f64) -> f64 {
        let bin =
            ((hz / self.bin_hz + 0.5) as u32 as usize).min(self.floor.len().saturating_sub(1));
        self.floor.get(bin).map_or(0.0, |&f| f64::from(f))
    }
}

/// Makes spectra without allocating after `new`.
pub struct Transformer {
    rate_hz: f64,
    plans: Vec<Arc<dyn RealToComplex<f32>>>,
    input: Vec<f32>,
    output: Vec<Complex32>,
    scratch: Vec<Complex32>,
    sorted: Vec<u32>,
    max_bins: usize,
}

impl fmt::Debug for Transformer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Transformer").field("rate_hz", &self.rate_hz).finish_non_exhaustive()
    }
}

impl Transformer {
    /// Plans transforms for stretches of up to `max_len` samples at `rate_hz`.
    pub fn new(rate_hz: f64, max_len: usize) -> Self {
        let mut planner = RealFftPlanner::new();
        let mut plans: Vec<Arc<dyn RealToComplex<f32>>> = Vec::new();
        let mut size = 256;
        loop {
            for len in [size, size * 3 / 2] {
                plans.push(planner.plan_fft_forward(len));
            }
            if size * 3 / 2 >= max_len {
                break;
            }
            size *= 2;
        }
        let longest = plans.last().map_or(0, |p| p.len());
        let scratch_len = plans.iter().map(|p| p.get_scratch_len()).max().unwrap_or(0);
        let max_bins = longest / 2 + 1;
        Self {
            rate_hz,
            plans,
            input: vec![0.0; longest],
            output: vec![Complex32::default(); max_bins],
            scratch: vec![Complex32::default(); scratch_len],
            sorted: Vec::with_capacity(max_bins),
            max_bins,
        }
    }

    /// An empty spectrum with all the room it will ever need.
    pub fn make_spectrum(&self) -> Spectrum {
        Spectrum::with_capacity(self.max_bins)
    }

    /// Fills `spectrum` from `samples`, at least 16 of them, under a Hann window.
    ///
    /// # Panics
    /// If `samples` is longer than the `max_len` given to `new`.
    pub fn transform(&mut self, samples: &[f32], spectrum: &mut Spectrum) {
        self.transform_under(Window::Hann, samples, spectrum);
        estimate_floor(spectrum, &mut self.sorted);
    }

    /// Fills `spectrum` from `samples`, at least 16 of them, under a flat window.
    ///
    /// # Panics
    /// As [`Transformer::transform`] does.
    pub fn transform_flat(&mut self, samples: &[f32], spectrum: &mut Spectrum) {
        self.transform_under(Window::Flat, samples, spectrum);
        spectrum.floor.clear();
    }

    fn transform_under(&mut self, window: Window, samples: &[f32], spectrum: &mut Spectrum) {
        let len = samples.len();
        let plan = self
            .plans
            .iter()
            .find(|p| p.len() >= len)
            .expect("a stretch is never longer than max_len");
        let size = plan.len();
        let input = &mut self.input[..size];
        match window {
            Window::Hann => fill_windowed(samples, &mut input[..len]),
            Window::Flat => fill_tapered(samples, &mut input[..len], window.taper()),
        }
        input[len..].fill(0.0);
        let output = &mut self.output[..size / 2 + 1];
        plan.process_with_scratch(input, output, &mut self.scratch[..plan.get_scratch_len()])
            .expect("lengths were taken from the plan");
        let bin_hz = self.rate_hz / size as f64;
        let kept = ((HIGHEST_HZ / bin_hz) as usize).min((0.45 * size as f64) as usize);
        spectrum.window = window;
        spectrum.bin_hz = bin_hz;
        spectrum.width_hz = self.rate_hz / len as f64;
        spectrum.bins.clear();
        // Phase refers to the middle of the stretch: bin k turns by k · π · (len − 1) / size · …
        let turn = PI * (len as f64 - 1.0) / size as f64;
        let scale = 2.0 / ((1.0 - 0.5 * window.taper()) * len as f64);
        for (block, bins) in output[..kept].chunks(RESTART).enumerate() {
            let mut circle = Circle::new(turn * (block * RESTART) as f64, turn);
            for bins in bins.chunks(LANES) {
                let mut turned = [Complex32::default(); LANES];
                for (i, to) in turned.iter_mut().enumerate() {
                    let (cos, sin) = (circle.cos[i] * scale, circle.sin[i] * scale);
                    *to = Complex32::new(cos as f32, sin as f32);
                }
                spectrum.bins.extend(bins.iter().zip(turned).map(|(bin, turned)| bin * turned));
                circle.advance();
            }
        }
    }
}

/// Copies `samples`, faded in and out over half of `taper` at either end.
fn fill_tapered(samples: &[f32], out: &mut [f32], taper: f64) {
    out.copy_from_slice(samples);
    let len = samples.len();
    let fade = 0.5 * taper * len as f64;
    let mut circle = Circle::new(0.5 * PI / fade, PI / fade);
    for from in (0..fade as usize).step_by(LANES) {
        for i in from..(from + LANES).min(fade as usize) {
            let weight = (0.5 - 0.5 * circle.cos[i - from]) as f32;
            out[i] *= weight;
            out[len - 1 - i] *= weight;
        }
        circle.advance();
    }
}

/// Weights `samples` with a Hann window of their own length.
fn fill_windowed(samples: &[f32], out: &mut [f32]) {
    let step = 2.0 * PI / samples.len() as f64;
    let blocks = samples.chunks(RESTART).zip(out.chunks_mut(RESTART));
    for (block, (inputs, outputs)) in blocks.enumerate() {
        let mut circle = Circle::new(step * ((block * RESTART) as f64 + 0.5), step);
        for (inputs, outputs) in inputs.chunks(LANES).zip(outputs.chunks_mut(LANES)) {
            let weights = circle.cos.map(|cos| (0.5 - 0.5 * cos) as f32);
            for ((output, input), weight) in outputs.iter_mut().zip(inputs).zip(weights) {
                *output = input * weight;
            }
            circle.advance();
        }
    }
}

/// Bands the floor is estimated in, in hertz, and how far they reach in widths at least.
const FLOOR_BAND_HZ: f64 = 150.0;
const FLOOR_BAND_WIDTHS: f64 = 24.0;

/// The floor in a band is read off the quietest quarter of its bins: partials are narrow, and even a
/// chord leaves a quarter of a band to the noise. For Rayleigh-distributed amplitudes the lower
/// quartile is √(ln(4/3)) = 0.536 of the root mean square.
fn estimate_floor(spectrum: &mut Spectrum, sorted: &mut Vec<u32>) {
    const QUARTILE_OF_RMS: f32 = 0.536;
    let n = spectrum.bins.len();
    spectrum.floor.clear();
    spectrum.floor.resize(n, 0.0);
    let band_hz = FLOOR_BAND_HZ.max(FLOOR_BAND_WIDTHS * spectrum.width_hz);
    let band = ((band_hz / spectrum.bin_hz) as usize).max(8);
    let mut start = 0;
    while start < n {
        let end = if start + 2 * band > n { n } else { start + band };
        // Half a band on either side is looked at too, so that the floor is smooth.
        let wide = start.saturating_sub(band / 2)..(end + band / 2).min(n);
        sorted.clear();
        // Bits of numbers that are not negative are in the order of the numbers, and sort faster.
        sorted.extend(spectrum.bins[wide].iter().map(|b| b.norm_sqr().to_bits()));
        let quartile = sorted.len() / 4;
        let (_, &mut value, _) = sorted.select_nth_unstable(quartile);
        let floor = f32::from_bits(value).sqrt() / QUARTILE_OF_RMS;
        spectrum.floor[start..end].fill(floor);
        start = end;
    }
}

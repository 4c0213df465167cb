//! From the owner to the audio thread: prepared samples, played back to back.
//!
//! **Conventions.** A clip is handed over whole and handed back when it is over, so that the audio
//! thread neither makes nor frees anything.

use std::sync::Arc;
use std::sync::atomic::AtomicU64;
use std::sync::atomic::Ordering;

use cpal::FromSample;
use cpal::SizedSample;
use ringbuf::HeapCons;
use ringbuf::HeapProd;
use ringbuf::HeapRb;
use ringbuf::traits::Consumer;
use ringbuf::traits::Observer;
use ringbuf::traits::Producer;
use ringbuf::traits::Split;

use super::capture::Counters;
use crate::units::SampleRate;

/// How many clips may wait.
const QUEUE: usize = 8;

/// How long a clip that is stopped takes to fade, in seconds: short, but without a crack.
const FADE_S: f64 = 0.005;

/// Samples to be played, and their number.
#[derive(Debug)]
pub struct Clip {
    /// Counted from 0 in the order of playing.
    pub number: u64,
    /// Mono samples, full scale ±1.
    pub samples: Arc<[f32]>,
}

/// What the audio thread says of a clip.
#[derive(Debug)]
pub enum Told {
    /// The clip's first sample was sample `at` of the output.
    Began {
        /// The clip.
        number: u64,
        /// Its first sample, counted from the opening of the output.
        at: u64,
    },
    /// The clip is over; here it is back.
    Over(Clip),
}

/// The audio thread's end.
#[expect(missing_debug_implementations, reason = "rings have nothing to show")]
pub struct Player {
    queue: HeapCons<Clip>,
    told: HeapProd<Told>,
    /// Clips with a lower number are stopped.
    stopped: Arc<AtomicU64>,
    counters: Arc<Counters>,
    rate: SampleRate,
    channels: usize,
    current: Option<(Clip, usize)>,
    /// Samples left of a fade, out of [`Self::fade_samples`]; `None` outside of one.
    fading: Option<usize>,
    played: u64,
}

/// The owner's end.
#[expect(missing_debug_implementations, reason = "rings have nothing to show")]
pub struct Feeder {
    queue: HeapProd<Clip>,
    told: HeapCons<Told>,
    stopped: Arc<AtomicU64>,
    counters: Arc<Counters>,
}

/// Makes both ends.
pub fn channel(rate: SampleRate, channels: usize) -> (Player, Feeder) {
    let (queue_in, queue_out) = HeapRb::new(QUEUE).split();
    // Each clip tells twice; one is being played beside those that wait.
    let (told_in, told_out) = HeapRb::new(2 * (QUEUE + 1)).split();
    let stopped = Arc::new(AtomicU64::new(0));
    let counters = Counters::new(0);
    let player = Player {
        queue: queue_out,
        told: told_in,
        stopped: stopped.clone(),
        counters: counters.clone(),
        rate,
        channels,
        current: None,
        fading: None,
        played: 0,
    };
    (player, Feeder { queue: queue_in, told: told_out, stopped, counters })
}

impl Player {
    /// The body of the output callback: copy to every channel, count, return. Silence where there
    /// is nothing to play.
    ///
    /// Runs on the audio thread: no allocation, no lock, no message, bounded time.
    pub fn fill<T>(&mut self, interleaved: &mut [T], now_s: f64)
    where
        T: SizedSample + FromSample<f32>,
    {
        let stopped = self.stopped.load(Ordering::Acquire);
        if self.fading.is_none() && self.current.as_ref().is_some_and(|(c, _)| c.number < stopped) {
            self.fading = Some(self.fade_samples());
        }
        for frame in interleaved.chunks_exact_mut(self.channels) {
            let sample = self.next();
            frame.fill(T::from_sample(sample));
            self.played += 1;
        }
        self.counters.note_moved(self.played, now_s, self.rate);
    }

    fn next(&mut self) -> f32 {
        if self.current.is_none() && !self.begin() {
            return 0.0;
        }
        let Some((clip, at)) = &mut self.current else { return 0.0 };
        let mut sample = clip.samples.get(*at).copied().unwrap_or(0.0).clamp(-1.0, 1.0);
        *at += 1;
        let mut over = *at >= clip.samples.len();
        if let Some(left) = self.fading {
            sample *= left as f32 / self.fade_samples() as f32;
            self.fading = Some(left.saturating_sub(1));
            over |= left == 0;
        }
        if over {
            self.end();
        }
        sample
    }

    /// Takes the next clip, if there is one and the owner can still be told of it.
    fn begin(&mut self) -> bool {
        if self.told.vacant_len() < 2 {
            return false;
        }
        let Some(clip) = self.queue.try_pop() else { return false };
        // There is room, as just seen: the ring has one producer.
        if clip.number < self.stopped.load(Ordering::Acquire) {
            let _ = self.told.try_push(Told::Over(clip));
            return false;
        }
        let _ = self.told.try_push(Told::Began { number: clip.number, at: self.played });
        self.current = Some((clip, 0));
        true
    }

    fn end(&mut self) {
        if let Some((clip, _)) = self.current.take() {
            let _ = self.told.try_push(Told::Over(clip));
        }
        self.fading = None;
    }

    fn fade_samples(&self) -> usize {
        (FADE_S * f64::from(self.rate.get())) as usize
    }
}

impl Feeder {
    /// What the audio thread tells in numbers.
    pub fn counters(&self) -> &Arc<Counters> {
        &self.counters
    }

    /// Puts a clip behind those that wait; hands it back if too many do.
    pub fn queue(&mut self, clip: Clip) -> Result<(), Clip> {
        self.queue.try_push(clip)
    }

    /// The next piece of news.
    pub fn told(&mut self) -> Option<Told> {
        self.told.try_pop()
    }

    /// Fades or drops the clips with a number below `next`; later ones are played.
    pub fn stop_before(&mut self, next: u64) {
        self.stopped.store(next, Ordering::Release);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rate() -> SampleRate {
        SampleRate::new(48_000).expect("not zero")
    }

    fn clip(number: u64, samples: &[f32]) -> Clip {
        Clip { number, samples: samples.into() }
    }

    #[test]
    fn clips_follow_each_other_to_the_sample_on_every_channel() {
        let (mut player, mut feeder) = channel(rate(), 2);
        let mut out = [9.0_f32; 8];
        player.fill(&mut out, 0.0);
        assert_eq!(out, [0.0; 8], "silence first");
        feeder.queue(clip(0, &[0.1, 0.2, 0.3])).expect("room");
        feeder.queue(clip(1, &[0.4, 0.5])).expect("room");
        let mut heard = Vec::new();
        for _ in 0..3 {
            player.fill(&mut out, 0.0);
            heard.extend(out.chunks(2).map(|frame| {
                assert_eq!(frame[0].to_bits(), frame[1].to_bits(), "same on both");
                frame[0]
            }));
        }
        assert_eq!(heard[..6], [0.1, 0.2, 0.3, 0.4, 0.5, 0.0]);
        let began: Vec<_> = std::iter::from_fn(|| feeder.told())
            .filter_map(|told| match told {
                Told::Began { number, at } => Some((number, at)),
                Told::Over(_) => None,
            })
            .collect();
        assert_eq!(began, [(0, 4), (1, 7)]);
    }

    #[test]
    fn stopping_fades_and_forgets_what_waits_but_not_what_comes_after() {
        let (mut player, mut feeder) = channel(rate(), 1);
        feeder.queue(clip(0, &[0.5; 48_000])).expect("room");
        feeder.queue(clip(1, &[0.5; 48_000])).expect("room");
        let mut out = [0.0_f32; 480];
        player.fill(&mut out, 0.0);
        feeder.stop_before(2);
        player.fill(&mut out, 0.0);
        // 5 ms are 240 samples; full scale over 240 steps, halved.
        let steepest = out.windows(2).map(|pair| (pair[1] - pair[0]).abs()).fold(0.0, f32::max);
        assert!(steepest < 0.5 / 239.0, "a step of {steepest} cracks");
        assert_eq!(out[250..], [0.0; 230]);
        player.fill(&mut out, 0.0);
        assert_eq!(out, [0.0; 480], "the second clip is forgotten");
        let over = std::iter::from_fn(|| feeder.told())
            .filter(|told| matches!(told, Told::Over(_)))
            .count();
        assert_eq!(over, 2, "both came back");
        // Asked for right after a stop, before the audio thread has seen it.
        feeder.queue(clip(2, &[0.5; 48_000])).expect("room");
        player.fill(&mut out, 0.0);
        feeder.stop_before(3);
        feeder.queue(clip(3, &[0.25; 480])).expect("room");
        player.fill(&mut out, 0.0);
        player.fill(&mut out, 0.0);
        assert_eq!(out[200], 0.25, "the clip after the stop plays");
    }
}

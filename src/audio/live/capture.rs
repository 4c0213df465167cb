//! From the audio thread to the owner, with every lost sample accounted for.
//!
//! **Conventions.** [`Sender`] lives on the audio thread, [`Receiver`] with the owner; both are
//! made once. After the ring overflowed it stays closed until the receiver has emptied it and told
//! the loss, so that a hole is always exactly where the ring ends.
//! **Limits.** See [`Timekeeper`] for holes the sound system keeps to itself.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::sync::atomic::AtomicI64;
use std::sync::atomic::AtomicU8;
use std::sync::atomic::AtomicU64;
use std::sync::atomic::Ordering;

use cpal::FromSample;
use cpal::Sample;
use cpal::SizedSample;
use ringbuf::HeapCons;
use ringbuf::HeapProd;
use ringbuf::HeapRb;
use ringbuf::traits::Consumer;
use ringbuf::traits::Observer;
use ringbuf::traits::Producer;
use ringbuf::traits::Split;

use crate::audio::ChannelChoice;
use crate::audio::Chunk;
use crate::units::SampleCount;
use crate::units::SampleRate;

/// How long the owner may stay away before samples are lost, in seconds.
const RING_S: f64 = 4.0;

/// Samples handed to the owner at a time.
const BLOCK_SAMPLES: usize = 2048;

/// Why a stream ended, as far as the audio thread can tell. As a number, so that it can be atomic.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Fault {
    /// The device or the sound system is gone.
    Gone = 1,
    /// The system took the permission away.
    Denied = 2,
    /// The device runs otherwise than agreed.
    Changed = 3,
    /// The stream is open, but nothing moves.
    Still = 4,
}

/// What an audio thread tells: numbers only.
#[derive(Debug)]
pub struct Counters {
    /// Samples dropped since the last report.
    lost: AtomicU64,
    /// Samples the card has moved so far, the lost ones included.
    moved: AtomicU64,
    /// How far `moved` was ahead of the clock at best since last asked, in samples.
    ahead: AtomicI64,
    /// The first [`Fault`], 0 for none.
    fault: AtomicU8,
    /// Errors that say nothing.
    grumbles: AtomicU64,
    /// True if samples were lost on the way, nobody knows how many.
    slipped: AtomicBool,
}

impl Counters {
    /// Counters of a stream whose next sample is number `moved`.
    pub fn new(moved: u64) -> Arc<Self> {
        Arc::new(Self {
            lost: AtomicU64::new(0),
            moved: AtomicU64::new(moved),
            ahead: AtomicI64::new(i64::MIN),
            fault: AtomicU8::new(0),
            grumbles: AtomicU64::new(0),
            slipped: AtomicBool::new(false),
        })
    }

    /// Samples moved so far.
    pub fn moved(&self) -> u64 {
        self.moved.load(Ordering::Acquire)
    }

    /// How many errors said nothing so far.
    pub fn grumbles(&self) -> u64 {
        self.grumbles.load(Ordering::Relaxed)
    }

    /// Why the stream ended, if it did.
    pub fn fault(&self) -> Option<Fault> {
        match self.fault.load(Ordering::Acquire) {
            1 => Some(Fault::Gone),
            2 => Some(Fault::Denied),
            3 => Some(Fault::Changed),
            4 => Some(Fault::Still),
            _ => None,
        }
    }

    /// The best lead over the clock since last asked, in samples; `None` if nothing moved.
    pub fn take_ahead(&self) -> Option<i64> {
        let ahead = self.ahead.swap(i64::MIN, Ordering::AcqRel);
        (ahead > i64::MIN).then_some(ahead)
    }

    /// Called on the audio thread after `moved` samples in all, at `now_s`.
    pub fn note_moved(&self, moved: u64, now_s: f64, rate: SampleRate) {
        self.moved.store(moved, Ordering::Release);
        let ahead = moved as i64 - (now_s * f64::from(rate.get())) as i64;
        self.ahead.fetch_max(ahead, Ordering::AcqRel);
    }

    /// Called on the audio thread. Sets a flag or counts, nothing else: a dying sound server can
    /// call this hundreds of thousands of times a second.
    pub fn note_error(&self, kind: cpal::ErrorKind) {
        use cpal::ErrorKind as Kind;
        let fault = match kind {
            Kind::DeviceNotAvailable | Kind::HostUnavailable => Fault::Gone,
            Kind::PermissionDenied => Fault::Denied,
            Kind::StreamInvalidated => Fault::Changed,
            Kind::Xrun => {
                self.slipped.store(true, Ordering::Release);
                return;
            }
            // The stream lives on, rerouted or less punctual.
            Kind::DeviceChanged | Kind::RealtimeDenied => return,
            _ => {
                self.grumbles.fetch_add(1, Ordering::Relaxed);
                return;
            }
        };
        let _ = self.fault.compare_exchange(0, fault as u8, Ordering::AcqRel, Ordering::Acquire);
    }
}

/// The audio thread's end.
#[expect(missing_debug_implementations, reason = "rings have nothing to show")]
pub struct Sender {
    ring: HeapProd<f32>,
    counters: Arc<Counters>,
    rate: SampleRate,
    channels: usize,
    choice: ChannelChoice,
    moved: u64,
}

/// The owner's end.
#[expect(missing_debug_implementations, reason = "rings have nothing to show")]
pub struct Receiver {
    ring: HeapCons<f32>,
    counters: Arc<Counters>,
    block: Vec<f32>,
}

/// Makes both ends of a stream whose next sample is number `moved`.
pub fn channel(
    rate: SampleRate,
    channels: usize,
    choice: ChannelChoice,
    moved: u64,
) -> (Sender, Receiver) {
    channel_of(rate.samples_in(RING_S).0 as usize, rate, channels, choice, moved)
}

/// As [`channel`], with room for so many samples between the threads.
pub fn channel_of(
    room: usize,
    rate: SampleRate,
    channels: usize,
    choice: ChannelChoice,
    moved: u64,
) -> (Sender, Receiver) {
    let (producer, consumer) = HeapRb::new(room).split();
    let counters = Counters::new(moved);
    let sender =
        Sender { ring: producer, counters: counters.clone(), rate, channels, choice, moved };
    (sender, Receiver { ring: consumer, counters, block: vec![0.0; BLOCK_SAMPLES] })
}

impl Sender {
    /// The body of the input callback: copy one channel or the mean, count, return.
    ///
    /// Runs on the audio thread: no allocation, no lock, no message, bounded time. What does not
    /// fit is dropped and counted.
    pub fn forward<T>(&mut self, interleaved: &[T], now_s: f64)
    where
        T: SizedSample,
        f32: FromSample<T>,
    {
        let frames = interleaved.len() / self.channels;
        let closed = self.counters.lost.load(Ordering::Acquire) > 0;
        let taken = if closed { 0 } else { self.copy(interleaved) };
        if taken < frames {
            self.counters.lost.fetch_add((frames - taken) as u64, Ordering::Release);
        }
        self.moved += frames as u64;
        self.counters.note_moved(self.moved, now_s, self.rate);
    }

    fn copy<T>(&mut self, interleaved: &[T]) -> usize
    where
        T: SizedSample,
        f32: FromSample<T>,
    {
        let frames = interleaved.chunks_exact(self.channels);
        match self.choice {
            ChannelChoice::Mix => {
                let share = 1.0 / self.channels as f32;
                let mean = |frame: &[T]| {
                    frame.iter().map(|&sample| f32::from_sample(sample)).sum::<f32>() * share
                };
                self.ring.push_iter(frames.map(mean))
            }
            ChannelChoice::One(number) => {
                let index = usize::from(number.get()) - 1;
                self.ring.push_iter(frames.map(|frame| {
                    f32::from_sample(frame.get(index).copied().unwrap_or(T::EQUILIBRIUM))
                }))
            }
        }
    }
}

impl Receiver {
    /// What the audio thread tells.
    pub fn counters(&self) -> &Arc<Counters> {
        &self.counters
    }

    /// Hands over what has arrived, then the hole behind it, if there is one.
    pub fn pump(&mut self, mut on_chunk: impl FnMut(Chunk<'_>)) {
        // The counter first: only if the ring was closed before it is emptied does the hole come
        // right behind the last sample in it.
        let closed = self.counters.lost.load(Ordering::Acquire) > 0;
        let mut left = self.ring.occupied_len();
        while left > 0 {
            let room = left.min(self.block.len());
            let taken = self.ring.pop_slice(&mut self.block[..room]);
            on_chunk(Chunk::Samples(&self.block[..taken]));
            left -= taken;
        }
        if closed {
            let lost = self.counters.lost.swap(0, Ordering::AcqRel);
            on_chunk(Chunk::Gap(SampleCount(lost)));
        }
    }
}

/// How long the best lead over the clock is remembered, in seconds: a slip of the stream moves it.
const LEAD_MEMORY_S: f64 = 0.5;

/// How far a stream is ahead of the clock, by those blocks of the last second that were handled at
/// once: the others were late, which says nothing about the stream.
#[derive(Debug, Default)]
pub struct Lead {
    now: Option<f64>,
    before: Option<f64>,
    since_s: f64,
}

impl Lead {
    /// Notes the best lead of some blocks, in samples.
    pub fn note(&mut self, ahead: f64, now_s: f64) {
        if now_s - self.since_s > LEAD_MEMORY_S {
            (self.before, self.now, self.since_s) = (self.now, None, now_s);
        }
        self.now = Some(self.now.map_or(ahead, |best| best.max(ahead)));
    }

    /// In samples; `None` before the first block.
    pub fn get(&self) -> Option<f64> {
        self.now.into_iter().chain(self.before).reduce(f64::max)
    }
}

/// Finds holes whose length nobody reports, by counting samples against the clock.
///
/// A stream that stalls may deliver everything in a burst afterwards, or may have lost it: after a
/// stall nothing is handed on for 0.3 s, until it is clear which. What is still
/// missing then is a hole, exactly where the stall was.
#[derive(Debug)]
pub struct Timekeeper {
    rate: f64,
    limit: f64,
    buffer: f64,
    /// The best lead of the samples over the clock so far; sinks by [`DRIFT`].
    best: Option<f64>,
    lead: Lead,
    checked_s: f64,
    moved: u64,
    moved_s: f64,
    state: Flow,
}

/// `hole`: how much must be missing to count, in samples.
#[derive(Debug)]
enum Flow {
    Steady,
    Stalled { hole: f64 },
    Probation { hole: f64, until_s: f64, recent: f64 },
}

/// What to do with what has arrived.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Advice {
    /// Hand it on.
    Go,
    /// Leave it in the ring.
    Hold,
    /// Tell a hole, then hand it on.
    Hole(SampleCount),
}

/// How far samples may be behind before it counts as a stall, in seconds; three buffers at least.
const STALL_S: f64 = 0.15;

/// How long after a stall it shows whether a burst makes up for it, in seconds.
const PROBATION_S: f64 = 0.3;

/// How fast a sound card's clock may differ from the computer's: ten times what crystals of
/// 50 ppm allow (common practice).
const DRIFT: f64 = 500e-6;

impl Timekeeper {
    /// Watches a stream that comes `buffer` samples at a time.
    pub fn new(rate: SampleRate, buffer: u32) -> Self {
        let rate = f64::from(rate.get());
        let limit = (STALL_S * rate).max(3.0 * f64::from(buffer));
        Self {
            rate,
            limit,
            buffer: f64::from(buffer),
            best: None,
            lead: Lead::default(),
            checked_s: 0.0,
            moved: 0,
            moved_s: 0.0,
            state: Flow::Steady,
        }
    }

    /// How far samples are ahead of the clock, in samples; `None` before the first.
    pub fn lead(&self) -> Option<f64> {
        self.lead.get()
    }

    /// How long nothing has moved, in seconds.
    pub fn still_for_s(&self, now_s: f64) -> f64 {
        now_s - self.moved_s
    }

    /// Starts the count of stillness now: a stream was just opened.
    pub fn opened(&mut self, now_s: f64) {
        self.moved_s = now_s;
    }

    /// Looks at the counters at `now_s`.
    pub fn check(&mut self, now_s: f64, counters: &Counters) -> Advice {
        // `ahead` first: a block that comes in between is then in `moved` too, never the reverse.
        let ahead = counters.take_ahead().map(|ahead| ahead as f64);
        if let Some(ahead) = ahead {
            self.lead.note(ahead, now_s);
        }
        let moved = counters.moved();
        let came = moved > self.moved;
        if came {
            (self.moved, self.moved_s) = (moved, now_s);
        }
        let Some(mut best) = self.best else {
            (self.best, self.checked_s) = (ahead, now_s);
            return Advice::Go;
        };
        best -= DRIFT * self.rate * (now_s - self.checked_s);
        self.checked_s = now_s;
        if let (Flow::Steady, Some(ahead)) = (&self.state, ahead) {
            best = best.max(ahead);
        }
        let behind = best - (moved as f64 - now_s * self.rate);
        if counters.slipped.swap(false, Ordering::AcqRel) {
            // The sound system says so itself: even a short hole is one.
            self.state = Flow::Stalled { hole: self.buffer };
        }
        let mut advice = Advice::Go;
        match &mut self.state {
            Flow::Steady if behind > self.limit => {
                self.state = Flow::Stalled { hole: 0.5 * self.limit };
            }
            Flow::Steady => {}
            Flow::Stalled { hole } if came => {
                let (hole, recent) = (*hole, ahead.unwrap_or(f64::NEG_INFINITY));
                self.state = Flow::Probation { hole, until_s: now_s + PROBATION_S, recent };
                advice = Advice::Hold;
            }
            Flow::Stalled { .. } => {}
            Flow::Probation { hole, until_s, recent } => {
                *recent = recent.max(ahead.unwrap_or(f64::NEG_INFINITY));
                if now_s < *until_s {
                    advice = Advice::Hold;
                } else {
                    let missing = best - *recent;
                    if missing > *hole && missing.is_finite() {
                        advice = Advice::Hole(SampleCount(missing as u64));
                        best = *recent;
                    }
                    self.state = Flow::Steady;
                }
            }
        }
        self.best = Some(best);
        advice
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rate() -> SampleRate {
        SampleRate::new(48_000).expect("not zero")
    }

    fn ramp(from: usize, samples: usize) -> Vec<f32> {
        (from..from + samples).map(|n| n as f32).collect()
    }

    /// Both ends driven by hand: the ring overflows for certain, and not by chance.
    #[test]
    fn a_hole_is_where_the_samples_are_missing() {
        let (mut sender, mut receiver) = channel_of(100, rate(), 1, ChannelChoice::Mix, 0);
        let mut sent = 0;
        let mut send = |sender: &mut Sender, samples| {
            sender.forward(&ramp(sent, samples), 0.0);
            sent += samples;
        };
        let mut position = 0;
        let mut gaps = Vec::new();
        let mut pump = |receiver: &mut Receiver| {
            receiver.pump(|chunk| match chunk {
                Chunk::Samples(samples) => {
                    assert_eq!(samples, ramp(position, samples.len()), "at {position}");
                    position += samples.len();
                }
                Chunk::Gap(lost) => {
                    gaps.push((position, lost.0));
                    position += lost.0 as usize;
                }
            });
        };
        send(&mut sender, 60);
        send(&mut sender, 60); // 20 too many: the ring closes
        send(&mut sender, 60); // dropped, though the reader …
        pump(&mut receiver); // … makes room here
        send(&mut sender, 30);
        pump(&mut receiver);
        send(&mut sender, 150); // more than all of it
        pump(&mut receiver);
        send(&mut sender, 7);
        pump(&mut receiver);
        assert_eq!(gaps, [(100, 80), (310, 50)]);
        assert_eq!(position, 367, "everything is accounted for");
    }

    #[test]
    fn frames_are_mixed_or_one_channel_is_taken() {
        let stereo = [1.0_f32, 3.0, 2.0, 6.0];
        for (choice, truth) in [
            (ChannelChoice::Mix, [2.0, 4.0]),
            (ChannelChoice::One(std::num::NonZeroU16::MIN), [1.0, 2.0]),
        ] {
            let (mut sender, mut receiver) = channel_of(100, rate(), 2, choice, 0);
            sender.forward(&stereo, 0.0);
            let mut heard = Vec::new();
            receiver.pump(|chunk| match chunk {
                Chunk::Samples(samples) => heard.extend_from_slice(samples),
                Chunk::Gap(lost) => panic!("lost {lost:?}"),
            });
            assert_eq!(heard, truth, "{choice:?}");
        }
    }

    /// Feeds blocks of 480 every 10 ms of pretended time, except in a pause; returns the holes.
    fn holes(pause: std::ops::Range<u32>, made_up_for: bool) -> Vec<(u64, u64)> {
        holes_told(pause, made_up_for, false)
    }

    fn holes_told(pause: std::ops::Range<u32>, made_up_for: bool, told: bool) -> Vec<(u64, u64)> {
        let counters = Counters::new(0);
        let mut keeper = Timekeeper::new(rate(), 480);
        let (mut moved, mut found) = (0, Vec::new());
        for tick in 0..300 {
            let now_s = f64::from(tick) * 0.01;
            if !pause.contains(&tick) {
                if made_up_for && tick == pause.end {
                    moved += u64::from(pause.end - pause.start) * 480;
                }
                moved += 480;
                counters.note_moved(moved, now_s, rate());
            }
            if told && tick == pause.start {
                counters.note_error(cpal::ErrorKind::Xrun);
            }
            if let Advice::Hole(lost) = keeper.check(now_s, &counters) {
                found.push((moved, lost.0));
            }
        }
        found
    }

    #[test]
    fn a_silent_hole_is_found_by_the_clock() {
        let found = holes(100..140, false);
        assert_eq!(found.len(), 1, "{found:?}");
        // 40 blocks of 480, less what the clocks may have drifted.
        assert!((19_150..=19_200).contains(&found[0].1), "{found:?}");
    }

    #[test]
    fn a_short_hole_is_found_where_the_sound_system_tells_of_one() {
        let found = holes_told(100..105, false, true);
        assert_eq!(found.len(), 1, "{found:?}");
        // Five blocks of 480, less what the clocks may have drifted.
        assert!((2_350..=2_400).contains(&found[0].1), "{found:?}");
        assert_eq!(holes_told(100..105, true, true), [], "told, but made up for");
    }

    #[test]
    fn a_burst_after_a_pause_is_no_hole() {
        assert_eq!(holes(100..140, true), []);
        assert_eq!(holes(100..105, false), [], "short pauses are left to the buffers");
        assert_eq!(holes(400..400, false), []);
    }
}

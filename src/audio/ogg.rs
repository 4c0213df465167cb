//! Pages of an Ogg file that are lost, and the time of what comes after them.
//!
//! **Conventions.** Pages are numbered, carry a checksum, and tell at which sample ends what ends on them
//! (the granule position); where the first packet of a page begins follows from its length. The
//! demuxer begins it where the page before ended instead, and tells a hole only behind the page.
//! **Limits.** A hole before the last page is short by what the encoder put behind the end.
//! **Reference.** S. Pfeiffer, *The Ogg Encapsulation Format Version 0*, RFC 3533, section 6.

use std::collections::BTreeMap;
use std::collections::VecDeque;
use std::io;
use std::io::Read;

use symphonia::core::checksum::Crc32;
use symphonia::core::errors::Result;
use symphonia::core::formats::FormatReader;
use symphonia::core::io::Monitor;
use symphonia::core::packet::Packet;
use symphonia::core::units::Duration;

/// What every page begins with.
pub const MARK: &[u8] = b"OggS";

/// No page is longer: a header, 255 lengths, 255 parts of 255 bytes.
const LONGEST_PAGE: usize = 27 + 255 + 255 * 255;

/// How much is looked at at a time.
const WINDOW: usize = 16 * LONGEST_PAGE;

/// The flag of the last page.
const LAST: u8 = 4;

/// The granule position of a page on which nothing ends.
const NOTHING_ENDS: i64 = -1;

/// What the pages of a file tell.
#[derive(Debug, Default, PartialEq)]
pub struct Survey {
    /// The last page is there.
    pub ended: bool,
    /// Where pages are lost.
    pub holes: Vec<Hole>,
}

/// A place where pages are lost.
#[derive(Debug, PartialEq)]
pub struct Hole {
    track: u32,
    /// Where the page before it ends, and the page after it.
    from: i64,
    until: i64,
}

struct Page {
    track: u32,
    number: u32,
    end: i64,
    last: bool,
    bytes: usize,
}

impl Page {
    /// The page that `bytes` begin with, if it is whole and as it was written.
    fn read(bytes: &[u8]) -> Option<Self> {
        let (head, rest) = bytes.split_first_chunk::<27>().filter(|_| bytes.starts_with(MARK))?;
        let lengths = rest.get(..usize::from(head[26]))?;
        let length: usize = lengths.iter().map(|&length| usize::from(length)).sum();
        let page = bytes.get(..27 + lengths.len() + length)?;
        let number = |at| u32::from_le_bytes([head[at], head[at + 1], head[at + 2], head[at + 3]]);
        let mut checksum = Crc32::new(0);
        for part in [&page[..22], &[0; 4], &page[26..]] {
            checksum.process_buf_bytes(part);
        }
        (checksum.crc() == number(22)).then_some(Self {
            track: number(14),
            number: number(18),
            end: i64::from(number(10).cast_signed()) << 32 | i64::from(number(6)),
            last: head[5] & LAST != 0,
            bytes: page.len(),
        })
    }
}

/// Looks through all pages of a file.
pub fn survey(mut file: impl Read) -> io::Result<Survey> {
    let mut survey = Survey::default();
    // Of every track the next number due, where it ended, and whether a page is missing since.
    let mut tracks = BTreeMap::new();
    let (mut window, mut at) = (Vec::new(), 0);
    loop {
        if window.len() - at < LONGEST_PAGE {
            window.drain(..at);
            at = 0;
            let room = (WINDOW - window.len()) as u64;
            file.by_ref().take(room).read_to_end(&mut window)?;
        }
        let rest = &window[at..];
        if rest.is_empty() {
            return Ok(survey);
        }
        let Some(page) = Page::read(rest) else {
            let next = rest[1..].windows(MARK.len()).position(|bytes| bytes == MARK);
            at += next.map_or(rest.len().saturating_sub(MARK.len()).max(1), |next| next + 1);
            continue;
        };
        at += page.bytes;
        survey.ended = page.last;
        let (due, ended, broken) = tracks.entry(page.track).or_insert((page.number, 0, false));
        *broken |= page.number != *due;
        *due = page.number.wrapping_add(1);
        if page.end != NOTHING_ENDS {
            if std::mem::take(broken) {
                survey.holes.push(Hole { track: page.track, from: *ended, until: page.end });
            }
            *ended = page.end;
        }
    }
}

/// Hands on the packets of one track, those behind a hole at their own time.
pub struct Packets {
    format: Box<dyn FormatReader>,
    track: u32,
    holes: Vec<Hole>,
    ahead: VecDeque<Result<Option<Packet>>>,
}

impl Packets {
    pub fn new(format: Box<dyn FormatReader>, track: u32, mut holes: Vec<Hole>) -> Self {
        holes.retain(|hole| hole.track == track);
        Self { format, track, holes, ahead: VecDeque::new() }
    }

    /// Whether what is lost is the very beginning.
    pub fn lacks_beginning(&self) -> bool {
        self.holes.first().is_some_and(|hole| hole.from == 0)
    }

    /// The next packet, or `None` at the end.
    pub fn next(&mut self) -> Result<Option<Packet>> {
        let next = self.ahead.pop_front().unwrap_or_else(|| self.read());
        let Ok(Some(first)) = &next else { return next };
        let behind = self.holes.iter().position(|hole| hole.from == first.pts.get());
        let Some(hole) = behind.map(|at| self.holes.swap_remove(at)) else { return next };
        let (mut end, mut page, mut next) = (hole.from, VecDeque::new(), next);
        while let Ok(Some(packet)) = next {
            if packet.pts.get() >= hole.until {
                next = Ok(Some(packet));
                break;
            }
            end = packet.pts.saturating_add(packet.block_dur()).get();
            page.push_back(packet);
            next = self.read();
        }
        let late = Duration::new(hole.until.saturating_sub(end).max(0).unsigned_abs());
        for packet in &mut page {
            packet.pts = packet.pts.saturating_add(late);
        }
        self.ahead.extend(page.into_iter().map(|packet| Ok(Some(packet))));
        self.ahead.push_back(next);
        self.ahead.pop_front().unwrap_or(Ok(None))
    }

    fn read(&mut self) -> Result<Option<Packet>> {
        loop {
            match self.format.next_packet() {
                Ok(Some(packet)) if packet.track_id != self.track => {}
                next => return next,
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A page of one packet. The checksum is worked out bit by bit, as RFC 3533 words it: polynomial
    /// 0x04C11DB7, from 0, over the page with 0 in its place.
    fn page(number: u32, end: i64, flags: u8, packet: &[u8]) -> Vec<u8> {
        let mut page = [MARK, &[0, flags]].concat();
        page.extend(end.to_le_bytes());
        page.extend(7_u32.to_le_bytes());
        page.extend(number.to_le_bytes());
        page.extend([0; 4]);
        page.extend([1, packet.len() as u8]);
        page.extend(packet);
        let checksum = page.iter().fold(0_u32, |checksum, &byte| {
            (0..8).fold(checksum ^ u32::from(byte) << 24, |checksum, _| {
                checksum << 1 ^ if checksum >> 31 == 1 { 0x04C1_1DB7 } else { 0 }
            })
        });
        page[22..26].copy_from_slice(&checksum.to_le_bytes());
        page
    }

    fn pages() -> Vec<Vec<u8>> {
        let ends = [0, 960, NOTHING_ENDS, 2880, 3840];
        let flags = |number| if number == 4 { LAST } else { 0 };
        (0..5).map(|number| page(number, ends[number as usize], flags(number), &[9; 20])).collect()
    }

    #[test]
    fn the_last_page_is_the_last_page_and_whole() {
        let whole = pages().concat();
        assert_eq!(survey(&whole[..]).unwrap(), Survey { ended: true, holes: vec![] });
        for left in 0..whole.len() {
            let survey = survey(&whole[..left]).unwrap();
            assert_eq!(survey, Survey::default(), "{left} of {} bytes", whole.len());
        }
        let tagged = [&whole[..], b"TAG", &[0; 125]].concat();
        assert!(survey(&tagged[..]).unwrap().ended, "something of another kind may follow");
    }

    #[test]
    fn a_page_is_lost_if_it_is_missing_or_damaged() {
        let hole = |from, until| vec![Hole { track: 7, from, until }];
        for (lost, holes) in [(1, hole(0, 2880)), (2, hole(960, 2880)), (3, hole(960, 3840))] {
            let mut without = pages();
            without.remove(lost);
            assert_eq!(survey(&without.concat()[..]).unwrap().holes, holes, "page {lost}");
            for flaw in 0..without[0].len() {
                let mut damaged = pages();
                damaged[lost][flaw] ^= 1;
                let found = survey(&damaged.concat()[..]).unwrap();
                assert_eq!(
                    found,
                    Survey { ended: true, holes: hole(holes[0].from, holes[0].until) }
                );
            }
        }
    }
}

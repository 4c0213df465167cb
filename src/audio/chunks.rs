//! Lengths in the head of a WAV, AIFF or CAF file, made true; what comes first in an MP4 file.
//!
//! **Conventions.** Such a file is a row of chunks: four letters, a length, so many bytes. One of
//! them holds the samples.
//! **Reference.** Microsoft and IBM, *Multimedia Programming Interface and Data Specifications
//! 1.0*, 1991, «WAVE»; Apple, *Audio Interchange File Format 1.3*, 1989; Apple, *Core Audio Format
//! Specification 1.0*, «Audio Data Chunk»; ISO/IEC 14496-12, section 4.2.

use std::ops::Range;

/// From here on a 32-bit length is a stand-in of a writer that could not go back and correct it.
const STAND_IN_BYTES: u64 = 0x7FFF_0000;

/// How a format writes its chunks.
struct Layout {
    /// Where the length of the whole stands, if it is told.
    whole: Option<Range<usize>>,
    /// Where the first chunk begins.
    first: usize,
    length_bytes: usize,
    big_endian: bool,
    sound: [u8; 4],
}

impl Layout {
    fn of(head: &[u8]) -> Option<Self> {
        let (whole, first, length_bytes) = (Some(4..8), 12, 4);
        match (head.get(..4)?, head.get(8..12)?) {
            (b"RIFF", b"WAVE") => {
                Some(Self { whole, first, length_bytes, big_endian: false, sound: *b"data" })
            }
            (b"FORM", b"AIFF" | b"AIFC") => {
                Some(Self { whole, first, length_bytes, big_endian: true, sound: *b"SSND" })
            }
            (b"caff", _) => Some(Self {
                whole: None,
                first: 8,
                length_bytes: 8,
                big_endian: true,
                sound: *b"data",
            }),
            _ => None,
        }
    }

    fn length(&self, bytes: &[u8]) -> u64 {
        let append = |length: u64, byte: &u8| length << 8 | u64::from(*byte);
        if self.big_endian {
            bytes.iter().fold(0, append)
        } else {
            bytes.iter().rev().fold(0, append)
        }
    }

    fn put(&self, length: u64, bytes: &mut [u8]) {
        let n = bytes.len();
        if self.big_endian {
            bytes.copy_from_slice(&length.to_be_bytes()[8 - n..]);
        } else {
            bytes.copy_from_slice(&length.to_le_bytes()[..n]);
        }
    }

    /// Where the length of the samples stands.
    fn sound_length(&self, head: &[u8]) -> Option<Range<usize>> {
        let mut at = self.first;
        loop {
            let length_at = at.checked_add(4)?..at.checked_add(4 + self.length_bytes)?;
            let length = self.length(head.get(length_at.clone())?);
            if head[at..at + 4] == self.sound {
                return Some(length_at);
            }
            // 32-bit chunks are padded to even lengths.
            let padding = if self.length_bytes == 4 { length & 1 } else { 0 };
            at = length_at.end.checked_add(usize::try_from(length + padding).ok()?)?;
        }
    }
}

/// Makes the lengths in `head` agree with a file of `file_bytes`, or with a pipe, whose end nobody
/// knows. True if the file is shorter than it says.
pub fn mend(head: &mut [u8], file_bytes: Option<u64>) -> bool {
    let Some(layout) = Layout::of(head) else { return false };
    let Some(sound) = layout.sound_length(head) else { return false };
    let claimed = layout.length(&head[sound.clone()]);
    let unknown = u64::MAX >> (64 - 8 * layout.length_bytes);
    let stand_in = claimed == 0
        || claimed == unknown
        || (layout.length_bytes == 4 && claimed >= STAND_IN_BYTES);
    let Some(file_bytes) = file_bytes else {
        // Only WAV has a word for «unknown» that the decoder knows.
        if let (Some(whole), false) = (layout.whole.clone(), layout.big_endian) {
            head[whole].fill(0xFF);
            if stand_in {
                head[sound].fill(0xFF);
            }
        }
        return false;
    };
    let there = file_bytes.saturating_sub(sound.end as u64);
    if let Some(whole) = layout.whole.clone() {
        layout.put((file_bytes - 8).min(unknown), &mut head[whole]);
    }
    if claimed > there || claimed == 0 {
        layout.put(there.min(unknown), &mut head[sound]);
    }
    claimed > there && !stand_in
}

/// Tells whether `head` begins an MP4 file whose index (`moov`) precedes its samples (`mdat`).
pub fn index_comes_first(head: &[u8]) -> bool {
    let mut at = 0_usize;
    if head.get(4..8) != Some(b"ftyp") {
        return false;
    }
    while let Some(atom) = head.get(at..at.saturating_add(8)) {
        match &atom[4..] {
            b"moov" => return true,
            b"mdat" => return false,
            _ => {}
        }
        let bytes = u32::from_be_bytes([atom[0], atom[1], atom[2], atom[3]]);
        // Lengths of 0 and 1 mean «to the end» and «in 64 bits»: no index is that long.
        if bytes < 8 {
            return false;
        }
        at = at.saturating_add(bytes as usize);
    }
    false
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 30 bytes up to the samples.
    fn wav(data_bytes: u32) -> Vec<u8> {
        let mut head = b"RIFF\0\0\0\0WAVEfmt \x02\0\0\0\0\0data".to_vec();
        head.extend(data_bytes.to_le_bytes());
        head
    }

    #[test]
    fn a_length_that_was_never_filled_in_becomes_what_is_there() {
        for stand_in in [0, 0x7FFF_F000, 0xFFFF_FFFF] {
            let mut head = wav(stand_in);
            assert!(!mend(&mut head, Some(1030)), "{stand_in:#x} is no damage");
            assert_eq!(head[26..30], 1000_u32.to_le_bytes(), "{stand_in:#x}");
            assert_eq!(head[4..8], 1022_u32.to_le_bytes(), "{stand_in:#x}");
            let mut head = wav(stand_in);
            assert!(!mend(&mut head, None), "nobody knows about a pipe");
            assert_eq!(head[26..30], [0xFF; 4], "{stand_in:#x} in a pipe");
        }
    }

    #[test]
    fn a_length_beyond_the_end_is_cut_and_told() {
        let mut head = wav(5000);
        assert!(mend(&mut head, Some(1030)));
        assert_eq!(head[26..30], 1000_u32.to_le_bytes());
    }

    #[test]
    fn a_true_length_stays() {
        let mut head = wav(500);
        assert!(!mend(&mut head, Some(1030)));
        assert_eq!(head[26..30], 500_u32.to_le_bytes());
        let mut other = b"fLaC and so on, long enough for a header".to_vec();
        assert!(!mend(&mut other, Some(30)));
        assert_eq!(other, b"fLaC and so on, long enough for a header");
    }
}

//! Whether the end of an Ogg, Matroska or WebM file is there; their decoders do not tell.
//!
//! **Conventions.** An Ogg file is a row of pages, of which the last one says that it is the last; the
//! others are elements that say how long they are, but for recorders that cannot go back to write it.
//! **Reference.** S. Pfeiffer, *The Ogg Encapsulation Format Version 0*, RFC 3533, section 6;
//! S. Lhomme et al., *Extensible Binary Meta Language*, RFC 8794, sections 4 and 5; *Matroska*, RFC
//! 9559, section 5.1.

/// No page is longer: a header, 255 lengths, 255 parts of 255 bytes.
pub const LONGEST_PAGE: u64 = 27 + 255 + 255 * 255;

/// What a Matroska or WebM file begins with.
pub const EBML: &[u8] = &[0x1A, 0x45, 0xDF, 0xA3];
const SEGMENT: &[u8] = &[0x18, 0x53, 0x80, 0x67];

/// What every page of an Ogg file begins with.
pub const OGG: &[u8] = b"OggS";
const LAST_PAGE: u8 = 4;

/// Tells whether an Ogg file that ends in `tail` has lost its last page or a part of it. `tail` is at
/// least [`LONGEST_PAGE`] long, or the whole file.
pub fn ogg_is_cut(tail: &[u8]) -> bool {
    let Some(at) = tail.windows(OGG.len()).rposition(|bytes| bytes == OGG) else { return true };
    let page = &tail[at..];
    let Some((&flags, &parts)) = page.get(5).zip(page.get(26)) else { return true };
    let Some(lengths) = page.get(27..27 + usize::from(parts)) else { return true };
    let bytes: usize = lengths.iter().map(|&length| usize::from(length)).sum();
    flags & LAST_PAGE == 0 || page.len() < 27 + lengths.len() + bytes
}

/// Tells whether a Matroska file of `file_bytes` that begins with `head` is shorter than it says.
pub fn matroska_is_cut(head: &[u8], file_bytes: u64) -> bool {
    segment_end(head).is_some_and(|end| end > file_bytes)
}

/// Where the one element with all the sound ends; `None` where it does not say.
fn segment_end(head: &[u8]) -> Option<u64> {
    let after_header = element_end(head, 0, EBML)?;
    element_end(head, usize::try_from(after_header).ok()?, SEGMENT)
}

/// Where the element `id` at `at` ends.
fn element_end(head: &[u8], at: usize, id: &[u8]) -> Option<u64> {
    let length = head.get(at..)?.strip_prefix(id)?;
    // As many bytes more as there are zeros before the first one; all ones mean «unknown».
    let more = length.first()?.leading_zeros() as usize;
    let bytes = length.get(..=more).filter(|_| more < 8)?;
    let mark = 1_u64 << (7 * (more + 1));
    let value = bytes.iter().fold(0, |value: u64, &byte| value << 8 | u64::from(byte)) & (mark - 1);
    (value != mark - 1).then_some((at + id.len() + bytes.len()) as u64 + value)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_read_as_rfc_8794_writes_them() {
        // A header of 3 bytes; its length in one byte, that of what follows in two (section 4.4).
        let file = |length: &[u8]| [EBML, &[0x83, 1, 2, 3], SEGMENT, length].concat();
        assert_eq!(segment_end(&file(&[0x40, 0x02])), Some(14 + 2));
        assert_eq!(segment_end(&file(&[0x82])), Some(13 + 2));
        assert_eq!(segment_end(&file(&[1, 0, 0, 0, 0, 0, 1, 0])), Some(20 + 256));
        assert_eq!(segment_end(&file(&[0xFF])), None, "unknown");
        assert_eq!(segment_end(&file(&[1, 255, 255, 255, 255, 255, 255, 255])), None, "unknown");
        for bad in [&[][..], &[0], &[0x40]] {
            assert_eq!(segment_end(&file(bad)), None, "{bad:?}");
        }
        assert!(matroska_is_cut(&file(&[0x82]), 14) && !matroska_is_cut(&file(&[0x82]), 15));
    }

    #[test]
    fn the_last_page_is_the_last_page_and_whole() {
        let page = |flags: u8, bytes: usize| {
            let mut page = [OGG, &[0, flags], &[0; 20], &[1, bytes as u8]].concat();
            page.resize(page.len() + bytes, 7);
            page
        };
        let whole = [page(0, 9), page(LAST_PAGE, 20)].concat();
        assert!(!ogg_is_cut(&whole));
        for left in 0..whole.len() {
            assert!(ogg_is_cut(&whole[..left]), "{left} of {} bytes", whole.len());
        }
    }
}

//! Whether the end of a Matroska or WebM file is there; the decoder does not tell.
//!
//! **Conventions.** A file is a row of elements that say how long they are, but for recorders that cannot
//! go back to write it.
//! **Reference.** S. Lhomme et al., *Extensible Binary Meta Language*, RFC 8794, sections 4 and 5;
//! *Matroska*, RFC 9559, section 5.1.

/// What a Matroska or WebM file begins with.
pub const EBML: &[u8] = &[0x1A, 0x45, 0xDF, 0xA3];
const SEGMENT: &[u8] = &[0x18, 0x53, 0x80, 0x67];

/// Tells whether a Matroska file of `file_bytes` that begins with `head` is shorter than it says.
pub fn is_cut(head: &[u8], file_bytes: u64) -> bool {
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
        assert!(is_cut(&file(&[0x82]), 14) && !is_cut(&file(&[0x82]), 15));
    }
}

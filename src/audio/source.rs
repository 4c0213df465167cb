//! The bytes of a recording, from a file, a pipe or standard input.
//!
//! **Conventions.** `-` is standard input. What cannot be read backwards is read as it comes; only
//! containers that are looked through first go through a nameless temporary file.
//! **Limits.** A length in a WAV, AIFF or CAF header that goes beyond the end of the file, or was
//! never filled in (a recorder killed, or writing into a pipe), is taken to mean «up to the end».

use std::fs::File;
use std::io;
use std::io::IsTerminal;
use std::io::Read;
use std::io::Seek;
use std::io::SeekFrom;
use std::io::Write;
use std::path::Path;

use symphonia::core::io::MediaSource;
use symphonia::core::io::ReadOnlySource;

use super::chunks;
use super::error::AudioError;
use super::matroska;
use super::ogg;
use super::ogg::Hole;

/// How much of the beginning is looked at: room for the chunks that may precede the samples.
const HEAD_BYTES: u64 = 16 * 1024;

/// Containers that are looked through before they are decoded: where their mark stands, and the mark. Two
/// may keep at the end what is needed first (ISO/IEC 14496-12, section 4.3; Apple, *Core Audio Format
/// Specification 1.0*), of the others it is looked at whether anything is missing.
const LOOKED_THROUGH: [(usize, &[u8]); 4] =
    [(4, b"ftyp"), (0, b"caff"), (0, ogg::MARK), (0, matroska::EBML)];

/// Kinds of recordings that are known and not read: the mark at their beginning, and what they are called.
/// Sound in them may look like another kind. By Sun's *audio(4)*; EBU Tech 3306; ITU-R BS.2088; Sony's *Wave64*
/// and Microsoft's *ASF Specification* (both a GUID); RFC 4867, section 5.
const UNREAD: [(&[u8], &str); 6] = [
    (b".snd", "a Sun audio file (.au)"),
    (b"RF64", "a WAV file for more than four gigabytes (RF64)"),
    (b"BW64", "a WAV file for more than four gigabytes (BW64)"),
    (b"riff\x2e\x91\xcf\x11", "a Wave64 file (.w64)"),
    (b"\x30\x26\xb2\x75\x8e\x66\xcf\x11", "Windows Media (.wma)"),
    (b"#!AMR", "speech of a telephone (.amr)"),
];

/// The bytes of a recording.
pub struct Source {
    /// Where they come from.
    pub media: Box<dyn MediaSource>,
    /// True if the end is known to be missing; the decoder will not notice any more.
    pub cut_short: bool,
    /// Where pages of an Ogg file are lost.
    pub holes: Vec<Hole>,
}

/// How a recording is called in messages.
pub fn name(path: &Path) -> String {
    if path == Path::new("-") { "standard input".to_owned() } else { path.display().to_string() }
}

/// Opens `path` for decoding.
pub fn open(path: &Path) -> Result<Source, AudioError> {
    let recording = name(path);
    let unreadable = |source| AudioError::Unreadable { recording: recording.clone(), source };
    if path == Path::new("-") {
        if io::stdin().is_terminal() {
            return Err(AudioError::Terminal { recording });
        }
        return stream(io::stdin(), &recording);
    }
    let mut file = File::open(path).map_err(|error| match error.kind() {
        io::ErrorKind::NotFound => AudioError::Missing { recording: recording.clone() },
        io::ErrorKind::IsADirectory => AudioError::Directory { recording: recording.clone() },
        _ => unreadable(error),
    })?;
    let kind = file.metadata().map_err(unreadable)?;
    if kind.is_dir() {
        return Err(AudioError::Directory { recording });
    }
    if !kind.is_file() {
        return stream(file, &recording);
    }
    let head = read_head(&mut file, &recording)?;
    stored(file, head).map_err(unreadable)
}

fn read_head(bytes: &mut impl Read, recording: &str) -> Result<Vec<u8>, AudioError> {
    let mut head = Vec::new();
    bytes
        .take(HEAD_BYTES)
        .read_to_end(&mut head)
        .map_err(|source| AudioError::Unreadable { recording: recording.to_owned(), source })?;
    if head.is_empty() {
        return Err(AudioError::Empty { recording: recording.to_owned() });
    }
    if let Some((_, kind)) = UNREAD.iter().find(|(mark, _)| head.starts_with(mark)) {
        return Err(AudioError::UnreadKind { recording: recording.to_owned(), kind });
    }
    Ok(head)
}

fn stored(mut file: File, mut head: Vec<u8>) -> io::Result<Source> {
    let bytes = file.metadata()?.len();
    if chunks::index_comes_first(&head) || head.starts_with(matroska::EBML) {
        // Read in order, it can be read to its end even if that end is missing.
        let cut_short = matroska::is_cut(&head, bytes);
        file.seek(SeekFrom::Start(head.len() as u64))?;
        let media = Box::new(ReadOnlySource::new(io::Cursor::new(head).chain(file)));
        return Ok(Source { media, cut_short, holes: Vec::new() });
    }
    let mut cut_short = chunks::mend(&mut head, Some(bytes));
    let mut holes = Vec::new();
    file.rewind()?;
    if head.starts_with(ogg::MARK) {
        let pages = ogg::survey(&mut file)?;
        (cut_short, holes) = (!pages.ended, pages.holes);
        file.rewind()?;
    }
    Ok(Source { media: Box::new(Mended { head, file, at: 0, bytes }), cut_short, holes })
}

fn stream(
    mut bytes: impl Read + Send + Sync + 'static,
    recording: &str,
) -> Result<Source, AudioError> {
    let mut head = read_head(&mut bytes, recording)?;
    let bears =
        |(at, mark): &(usize, &[u8])| head.get(*at..).is_some_and(|head| head.starts_with(mark));
    if LOOKED_THROUGH.iter().any(bears) && !chunks::index_comes_first(&head) {
        return spool(&head, bytes)
            .and_then(|spool| stored(spool, head))
            .map_err(|source| AudioError::Unreadable { recording: recording.to_owned(), source });
    }
    chunks::mend(&mut head, None);
    let media = Box::new(ReadOnlySource::new(io::Cursor::new(head).chain(bytes)));
    Ok(Source { media, cut_short: false, holes: Vec::new() })
}

fn spool(head: &[u8], mut rest: impl Read) -> io::Result<File> {
    let mut spool = tempfile::tempfile()?;
    spool.write_all(head)?;
    io::copy(&mut rest, &mut spool)?;
    Ok(spool)
}

/// A file whose beginning is replaced by `head`.
struct Mended {
    head: Vec<u8>,
    file: File,
    at: u64,
    bytes: u64,
}

impl Read for Mended {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        let head = usize::try_from(self.at).ok().and_then(|at| self.head.get(at..));
        let n = match head {
            Some(mut head) if !head.is_empty() => {
                let n = head.read(out)?;
                self.file.seek_relative(n as i64)?;
                n
            }
            _ => self.file.read(out)?,
        };
        self.at += n as u64;
        Ok(n)
    }
}

impl Seek for Mended {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.at = self.file.seek(to)?;
        Ok(self.at)
    }
}

impl MediaSource for Mended {
    fn is_seekable(&self) -> bool {
        true
    }

    fn byte_len(&self) -> Option<u64> {
        Some(self.bytes)
    }
}

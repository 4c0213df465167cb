//! The compressed form of MusicXML (`.mxl`): one document in a ZIP archive.
//!
//! **Limits.** What an entry says about its own size is not believed: at most [`MAX_BYTES`] are
//! unpacked, whatever the archive holds.
//! **Reference.** MusicXML 4.0, W3C Music Notation Community Group 2021, "Compressed .mxl files".

use std::io::Cursor;
use std::io::Read;
use std::io::Write;

use zip::CompressionMethod;
use zip::ZipArchive;
use zip::ZipWriter;
use zip::write::SimpleFileOptions;

use super::xml;
use crate::notation::error::NotationError;
use crate::notation::error::Place;

/// Bytes of a document, unpacked. A lick of 200 steps needs about 300 000.
pub(super) const MAX_BYTES: u64 = 32 << 20;

const CONTAINER: &str = "META-INF/container.xml";
const MEDIA_TYPE: &str = "application/vnd.recordare.musicxml";

/// The bytes of the document in an archive: the root file that the container names.
///
/// # Errors
/// An archive that cannot be read, names no root file, or swells beyond [`MAX_BYTES`].
pub(super) fn unpack(bytes: &[u8]) -> Result<Vec<u8>, NotationError> {
    let malformed = |problem| NotationError::Malformed { place: Place::File, problem };
    let mut archive = ZipArchive::new(Cursor::new(bytes))
        .map_err(|error| malformed(format!("not a readable ZIP archive: {error}")))?;
    let container = entry(&mut archive, CONTAINER)?;
    let container = String::from_utf8_lossy(&container);
    let container = xml::parse(&container)?;
    // The first root file is the MusicXML document; others are renderings of it.
    let root = container
        .path(&["rootfiles", "rootfile"])
        .and_then(|file| file.attribute("full-path"))
        .ok_or_else(|| NotationError::Malformed {
            place: Place::Entry(CONTAINER.to_owned()),
            problem: "it names no root file".to_owned(),
        })?;
    entry(&mut archive, root)
}

fn entry(archive: &mut ZipArchive<Cursor<&[u8]>>, name: &str) -> Result<Vec<u8>, NotationError> {
    let place = || Place::Entry(name.to_owned());
    let malformed = |problem| NotationError::Malformed { place: place(), problem };
    let file = archive.by_name(name).map_err(|error| malformed(error.to_string()))?;
    let mut unpacked = Vec::new();
    file.take(MAX_BYTES + 1)
        .read_to_end(&mut unpacked)
        .map_err(|error| malformed(format!("cannot be unpacked: {error}")))?;
    if unpacked.len() as u64 > MAX_BYTES {
        return Err(NotationError::TooBig { place: place(), what: "bytes", limit: MAX_BYTES });
    }
    Ok(unpacked)
}

/// An archive that holds `document`.
pub(super) fn pack(document: &str) -> Vec<u8> {
    const SCORE: &str = "score.musicxml";
    let container = format!(
        r#"<?xml version="1.0" encoding="UTF-8"?>
<container>
  <rootfiles>
    <rootfile full-path="{SCORE}" media-type="{MEDIA_TYPE}+xml"/>
  </rootfiles>
</container>
"#
    );
    let mut archive = ZipWriter::new(Cursor::new(Vec::new()));
    // The media type comes first and unpacked, so that a look at the bytes can tell what this is.
    for (name, content, method) in [
        ("mimetype", MEDIA_TYPE, CompressionMethod::Stored),
        (CONTAINER, &container, CompressionMethod::Deflated),
        (SCORE, document, CompressionMethod::Deflated),
    ] {
        let options = SimpleFileOptions::default().compression_method(method);
        archive.start_file(name, options).expect("three different short names fit an archive");
        archive.write_all(content.as_bytes()).expect("memory can be written to");
    }
    archive.finish().expect("memory can be written to").into_inner()
}

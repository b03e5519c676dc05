//! What a TIFF of any size says of itself, as a small TIFF: nothing but the tags that are asked for, never the picture.

use std::io::{Cursor, Read, Seek};

use exif::experimental::Writer;
use exif::{Context, Field, In, Rational, Value};
use tiff::decoder::ifd::Value as Stored;
use tiff::decoder::{Decoder, IfdDecoder};
use tiff::tags::{IfdPointer, Tag, Type};

/// Tags of the picture's own directory: description, make, model, resolution and its unit.
const OF_PICTURE: [u16; 6] = [270, 271, 272, 282, 283, 296];
/// Tags of the directory of exposure: time, f-number, ISO, time taken, colour space, white balance.
const OF_EXPOSURE: [u16; 6] = [0x829a, 0x829d, 0x8827, 0x9003, 0xa001, 0xa403];
/// Longest text that is read, bytes: an OME description of a plain picture is some kilobytes.
const LONGEST_TEXT: u64 = 1 << 20;

/// Whether a file begins as a BigTIFF does.
pub(crate) fn is_big_tiff(bytes: &[u8]) -> bool {
    bytes.starts_with(b"II\x2b\0") || bytes.starts_with(b"MM\0\x2b")
}

/// Whether a file begins as a TIFF of either kind.
pub(crate) fn is_tiff(bytes: &[u8]) -> bool {
    is_big_tiff(bytes) || bytes.starts_with(b"II\x2a\0") || bytes.starts_with(b"MM\0\x2a")
}

/// The small TIFF; None when the file is no TIFF that can be read.
pub(crate) fn head(file: impl Read + Seek) -> Option<Vec<u8>> {
    Some(head_of(&mut Decoder::new(file).ok()?))
}

/// The small TIFF of one that is open.
pub(crate) fn head_of<R: Read + Seek>(decoder: &mut Decoder<R>) -> Vec<u8> {
    let mut fields = gathered(decoder.image_ifd(), Context::Tiff, &OF_PICTURE);
    let pointer = decoder.find_tag(Tag::ExifDirectory).ok().flatten().and_then(|v| match v {
        // A BigTIFF may point with any whole number.
        Stored::UnsignedBig(at) => Some(IfdPointer(at)),
        other => other.into_ifd_pointer().ok(),
    });
    if let Some(directory) = pointer.and_then(|at| decoder.read_directory(at).ok()) {
        fields.extend(gathered(decoder.read_directory_tags(&directory), Context::Exif, &OF_EXPOSURE));
    }
    let mut writer = Writer::new();
    fields.iter().for_each(|f| writer.push_field(f));
    let mut out = Cursor::new(Vec::new());
    // Without any field there is nothing to say.
    if writer.write(&mut out, true).is_err() { Vec::new() } else { out.into_inner() }
}

/// More pages than this are not counted.
const MOST_PAGES: usize = 1000;

/// What is said of a TIFF that holds more pictures than its first, smaller copies of it left out.
pub(crate) fn other_pages(file: impl Read + Seek) -> Option<String> {
    let mut decoder = Decoder::new(file).ok()?;
    let mut pages = 1;
    while pages < MOST_PAGES && decoder.more_images() && decoder.next_image().is_ok() {
        let kind = decoder.find_tag_unsigned::<u32>(Tag::NewSubfileType).ok().flatten().unwrap_or(0);
        // Bit 0: a copy of another picture at a lower resolution (TIFF 6.0, section 8).
        pages += usize::from(kind & 1 == 0);
    }
    (pages > 1)
        .then(|| format!("it holds {pages} pages, and only the first was read: save the others as files of their own"))
}

fn gathered(mut directory: IfdDecoder<'_>, context: Context, tags: &[u16]) -> Vec<Field> {
    let value = |number: u16, directory: &mut IfdDecoder<'_>| {
        let tag = Tag::from_u16_exhaustive(number);
        let entry = directory.find_entry(tag)?;
        if entry.field_type() == Type::ASCII {
            // Text as it is: descriptions hold a µ, which is not ASCII.
            let mut text = vec![0; usize::try_from(entry.count().min(LONGEST_TEXT)).ok()?];
            directory.find_tag_bytes(tag, &mut text, 0).ok()??;
            text.truncate(text.iter().position(|b| *b == 0).unwrap_or(text.len()));
            return Some(Value::Ascii(vec![text]));
        }
        match directory.find_tag(tag).ok()?? {
            Stored::Short(v) => Some(Value::Short(vec![v])),
            Stored::Unsigned(v) => Some(Value::Long(vec![v])),
            Stored::Rational(num, denom) => Some(Value::Rational(vec![Rational { num, denom }])),
            Stored::Float(v) => Some(Value::Float(vec![v])),
            Stored::Double(v) => Some(Value::Double(vec![v])),
            _ => None,
        }
    };
    tags.iter()
        .filter_map(|number| {
            let value = value(*number, &mut directory)?;
            Some(Field { tag: exif::Tag(context, *number), ifd_num: In::PRIMARY, value })
        })
        .collect()
}

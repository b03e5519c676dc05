//! The Exif block of a rendered photograph: a little-endian TIFF with one sub-directory.

/// What the photograph says of itself.
#[derive(Clone, Debug)]
pub(crate) struct ExifBlock {
    /// Shutter time, seconds as a fraction.
    pub(crate) time_s: (u32, u32),
    /// f-number, tenths.
    pub(crate) f_number_tenths: u32,
    /// Sensitivity.
    pub(crate) iso: u16,
    /// White balance automatic.
    pub(crate) automatic_white: bool,
    /// `YYYY:MM:DD HH:MM:SS`.
    pub(crate) taken_at: String,
}

const ASCII: u16 = 2;
const SHORT: u16 = 3;
const LONG: u16 = 4;
const RATIONAL: u16 = 5;

struct Entry {
    tag: u16,
    kind: u16,
    count: u32,
    data: Vec<u8>,
}

impl Entry {
    fn text(tag: u16, text: &str) -> Self {
        let mut data = text.as_bytes().to_vec();
        data.push(0);
        Self { tag, kind: ASCII, count: data.len() as u32, data }
    }

    fn short(tag: u16, value: u16) -> Self {
        Self { tag, kind: SHORT, count: 1, data: value.to_le_bytes().to_vec() }
    }

    fn rational(tag: u16, (top, bottom): (u32, u32)) -> Self {
        Self { tag, kind: RATIONAL, count: 1, data: [top.to_le_bytes(), bottom.to_le_bytes()].concat() }
    }
}

/// Bytes of a directory that begins at `start`, its longer values behind it.
fn directory(entries: &[Entry], start: usize) -> Vec<u8> {
    let mut head = (entries.len() as u16).to_le_bytes().to_vec();
    let mut tail = Vec::new();
    let tail_start = start + 2 + 12 * entries.len() + 4;
    for entry in entries {
        head.extend(entry.tag.to_le_bytes());
        head.extend(entry.kind.to_le_bytes());
        head.extend(entry.count.to_le_bytes());
        if entry.data.len() <= 4 {
            let mut inline = entry.data.clone();
            inline.resize(4, 0);
            head.extend(inline);
        } else {
            head.extend(((tail_start + tail.len()) as u32).to_le_bytes());
            tail.extend(&entry.data);
            if tail.len() % 2 == 1 {
                tail.push(0);
            }
        }
    }
    head.extend([0; 4]);
    head.extend(tail);
    head
}

/// The block, beginning with its TIFF header.
pub(crate) fn block(exif: &ExifBlock) -> Vec<u8> {
    let first = |pointer: u32| {
        vec![
            Entry::text(0x010f, "Larkmoor"),
            Entry::text(0x0110, "LM bench camera"),
            Entry { tag: 0x8769, kind: LONG, count: 1, data: pointer.to_le_bytes().to_vec() },
        ]
    };
    let sub_start = 8 + directory(&first(0), 8).len();
    let sub = vec![
        Entry::rational(0x829a, exif.time_s),
        Entry::rational(0x829d, (exif.f_number_tenths, 10)),
        Entry::short(0x8827, exif.iso),
        Entry::text(0x9003, &exif.taken_at),
        Entry::short(0xa001, 1),
        Entry::short(0xa403, u16::from(!exif.automatic_white)),
    ];
    let mut out = b"II\x2a\0\x08\0\0\0".to_vec();
    out.extend(directory(&first(sub_start as u32), 8));
    out.extend(directory(&sub, sub_start));
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reader_finds_every_value_again() {
        let bytes = block(&ExifBlock {
            time_s: (1, 60),
            f_number_tenths: 80,
            iso: 200,
            automatic_white: true,
            taken_at: "2026:03:02 10:00:00".into(),
        });
        let read = exif::Reader::new().read_raw(bytes).expect("a valid Exif block");
        let value = |tag| read.get_field(tag, exif::In::PRIMARY).expect("the tag").display_value().to_string();
        assert_eq!(value(exif::Tag::ExposureTime), "1/60");
        assert_eq!(value(exif::Tag::FNumber), "8");
        assert_eq!(value(exif::Tag::PhotographicSensitivity), "200");
        assert_eq!(value(exif::Tag::WhiteBalance), "auto white balance");
    }
}

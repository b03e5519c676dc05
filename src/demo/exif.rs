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
const LONG8: u16 = 16;

/// A value of a directory.
pub(super) struct Entry {
    pub(super) tag: u16,
    kind: u16,
    count: u32,
    data: Vec<u8>,
}

impl Entry {
    pub(super) fn text(tag: u16, text: &str) -> Self {
        let mut data = text.as_bytes().to_vec();
        data.push(0);
        Self { tag, kind: ASCII, count: data.len() as u32, data }
    }

    pub(super) fn short(tag: u16, value: u16) -> Self {
        Self { tag, kind: SHORT, count: 1, data: value.to_le_bytes().to_vec() }
    }

    pub(super) fn shorts(tag: u16, values: &[u16]) -> Self {
        let data = values.iter().flat_map(|v| v.to_le_bytes()).collect();
        Self { tag, kind: SHORT, count: values.len() as u32, data }
    }

    /// Offsets or lengths: 64 bit in a BigTIFF, else 32.
    pub(super) fn longs(tag: u16, values: &[u64], big: bool) -> Self {
        let data = values.iter().flat_map(|v| v.to_le_bytes()[..if big { 8 } else { 4 }].to_vec()).collect();
        Self { tag, kind: if big { LONG8 } else { LONG }, count: values.len() as u32, data }
    }

    fn rational(tag: u16, (top, bottom): (u32, u32)) -> Self {
        Self { tag, kind: RATIONAL, count: 1, data: [top.to_le_bytes(), bottom.to_le_bytes()].concat() }
    }
}

/// Bytes of a directory that begins at `start`, its longer values behind it; as in a BigTIFF when `big`.
pub(super) fn directory(entries: &[Entry], start: usize, big: bool) -> Vec<u8> {
    let (counts, inline) = if big { (8, 8) } else { (2, 4) };
    let number = |value: usize, bytes: usize| (value as u64).to_le_bytes()[..bytes].to_vec();
    let mut head = number(entries.len(), counts);
    let mut tail = Vec::new();
    let tail_start = start + counts + (4 + 2 * inline) * entries.len() + inline;
    for entry in entries {
        head.extend(entry.tag.to_le_bytes());
        head.extend(entry.kind.to_le_bytes());
        head.extend(number(entry.count as usize, inline));
        if entry.data.len() <= inline {
            let mut data = entry.data.clone();
            data.resize(inline, 0);
            head.extend(data);
        } else {
            head.extend(number(tail_start + tail.len(), inline));
            tail.extend(&entry.data);
            if tail.len() % 2 == 1 {
                tail.push(0);
            }
        }
    }
    head.extend(vec![0; inline]);
    head.extend(tail);
    head
}

impl ExifBlock {
    /// The directory of exposure.
    pub(super) fn exposure(&self) -> Vec<Entry> {
        vec![
            Entry::rational(0x829a, self.time_s),
            Entry::rational(0x829d, (self.f_number_tenths, 10)),
            Entry::short(0x8827, self.iso),
            Entry::text(0x9003, &self.taken_at),
            Entry::short(0xa001, 1),
            Entry::short(0xa403, u16::from(!self.automatic_white)),
        ]
    }
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
    let sub_start = 8 + directory(&first(0), 8, false).len();
    let mut out = b"II\x2a\0\x08\0\0\0".to_vec();
    out.extend(directory(&first(sub_start as u32), 8, false));
    out.extend(directory(&exif.exposure(), sub_start, false));
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

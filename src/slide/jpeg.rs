//! What the markers of a JPEG file tell, and files of which a part is missing: decoders fill it with one block over and over, without an
//! error.

/// Height of the largest blocks that a JPEG is decoded in, rows (ITU-T T.81, A.2: two by two blocks of 8).
const BLOCK: usize = 16;

/// Rows at the end of a photograph that repeat those above from which data is missing, share of all rows. House value: less is hardly
/// worth refusing the photograph for.
const MISSING: f64 = 0.02;

/// Codes between which repeated rows are no border: an unlit one is black, a burnt-out one white. House values.
const BETWEEN: std::ops::RangeInclusive<u8> = 12..=243;

/// The markers of a JPEG file with what they head, in their order, as far as the file goes (ITU-T T.81, B.1.1).
fn segments(bytes: &[u8]) -> impl Iterator<Item = (u8, &[u8])> {
    let mut at = 2;
    std::iter::from_fn(move || {
        // To the next marker; inside a scan, stuffed zeros and restart markers are data.
        let is_data = |pair: &[u8]| pair[0] != 0xff || matches!(pair[1], 0x00 | 0x01 | 0xd0..=0xd7 | 0xff);
        while bytes.get(at..at + 2).is_some_and(is_data) {
            at += 1;
        }
        let marker = *bytes.get(at + 1)?;
        at += 2;
        if matches!(marker, 0xd8 | 0xd9) {
            return Some((marker, &[][..]));
        }
        let length = bytes.get(at..at + 2)?;
        let begin = at + 2;
        at += usize::from(u16::from_be_bytes([length[0], length[1]])).max(2);
        Some((marker, bytes.get(begin..at).unwrap_or_default()))
    })
}

/// Whether a JPEG file reaches its end-of-image marker.
pub(super) fn reaches_its_end(bytes: &[u8]) -> bool {
    let mut scanned = false;
    for (marker, _) in segments(bytes) {
        match marker {
            0xd9 => return scanned,
            _ => scanned |= marker == 0xda,
        }
    }
    false
}

/// Bits of each sample of a JPEG file, by its frame header (ITU-T T.81, B.2.2); None where it has none.
pub(super) fn sample_bits(bytes: &[u8]) -> Option<u8> {
    let frame = |marker: u8| matches!(marker, 0xc0..=0xcf) && !matches!(marker, 0xc4 | 0xc8 | 0xcc);
    let header = segments(bytes).take_while(|(marker, _)| *marker != 0xda).find(|(marker, _)| frame(*marker))?;
    header.1.first().copied()
}

/// How many of the rows at the end of an 8-bit picture, as they lie in the file, repeat the same block over and over, as a decoder's do
/// where data ends before the picture. None where they are few, or as black or white as a border. A camera's noise repeats no row.
pub(super) fn repeated_end(codes: &[u8], rows: usize) -> Option<usize> {
    let row = codes.len() / rows.max(1);
    let of_light = codes.get(codes.len().saturating_sub(row)..)?.iter().any(|c| BETWEEN.contains(c));
    let lines = || codes.chunks_exact(row.max(1)).rev();
    let again = lines().zip(lines().skip(BLOCK)).take_while(|(line, above)| line == above).count();
    let missing = again + BLOCK;
    (of_light && again >= BLOCK && missing < rows && again as f64 >= MISSING * rows as f64).then_some(missing)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A picture of 40 x 400 pixels whose last rows repeat a block of 16 x 8.
    fn ending(missing: usize, block: fn(usize, usize) -> u8) -> Vec<u8> {
        let rows = (0..400).map(|y: usize| {
            let pixel = move |x: usize| {
                if y + missing >= 400 { [block(x % 8, y % 16); 3] } else { [(x * 7 + y) as u8, 90, (y * 3) as u8] }
            };
            (0..40).flat_map(pixel).collect::<Vec<u8>>()
        });
        rows.flatten().collect()
    }

    #[test]
    fn a_frame_header_says_how_many_bits_a_sample_has() {
        let header = |marker: u8, bits: u8| [0xff, 0xd8, 0xff, 0xc4, 0, 3, 9, 0xff, marker, 0, 5, bits, 0, 1];
        assert_eq!(sample_bits(&header(0xc0, 8)), Some(8));
        assert_eq!(sample_bits(&header(0xc1, 12)), Some(12));
        assert_eq!(sample_bits(&header(0xda, 12)), None, "a scan is no frame");
        assert_eq!(sample_bits(&[0xff, 0xd8, 0xff]), None);
    }

    #[test]
    fn rows_that_repeat_a_block_at_the_end_are_missing_data() {
        assert_eq!(repeated_end(&ending(100, |_, _| 128), 400), Some(100));
        assert_eq!(repeated_end(&ending(100, |x, y| (128 + x + y) as u8), 400), Some(100));
        for whole in [ending(0, |_, _| 0), ending(20, |_, _| 128), ending(100, |_, _| 3), ending(100, |_, _| 255)] {
            assert_eq!(repeated_end(&whole, 400), None);
        }
        assert_eq!(repeated_end(&ending(400, |_, _| 128), 400), None, "another matter: it shows nothing anywhere");
        assert_eq!(repeated_end(&[], 0), None);
    }
}

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

/// Whether a JPEG file that is stored progressively lacks scans: its picture is coarse all over then. Each scan sends a band of
/// coefficients of some components down to a bit, and later ones refine it (ITU-T T.81, B.2.3 and G.1.1.1). The standard lets a file do
/// without some of them; a photograph without the means of all components and every coefficient of the first is none to measure by.
pub(super) fn lacks_scans(bytes: &[u8]) -> bool {
    const COEFFICIENTS: usize = 64;
    // Bits that are still to come of each component's coefficients, by the components' names.
    let mut components: Vec<(u8, [Option<u8>; COEFFICIENTS])> = Vec::new();
    // What follows the picture, as a second one or a film, is no part of it.
    for (marker, head) in segments(bytes).take_while(|(marker, _)| *marker != 0xd9) {
        match marker {
            // The frame: bits, height, width, and how many components of three bytes each.
            0xc2 => {
                let count = head.get(5).map_or(0, |n| usize::from(*n));
                let named = head.get(6..).unwrap_or_default().chunks_exact(3).take(count);
                components = named.map(|c| (c[0], [None; COEFFICIENTS])).collect();
                let mut names: Vec<u8> = components.iter().map(|(name, _)| *name).collect();
                names.sort_unstable();
                names.dedup();
                if names.len() < components.len() {
                    // Which is which cannot be told.
                    return false;
                }
            }
            0xda if !components.is_empty() => {
                let count = 2 * usize::from(head.first().copied().unwrap_or(0));
                let (Some(names), Some(&[first, last, bits])) = (head.get(1..=count), head.get(count + 1..count + 4))
                else {
                    return true;
                };
                for name in names.chunks_exact(2) {
                    let Some((_, left)) = components.iter_mut().find(|(n, _)| *n == name[0]) else { return true };
                    let band = usize::from(first)..(usize::from(last) + 1).min(COEFFICIENTS);
                    left.get_mut(band).unwrap_or_default().fill(Some(bits & 0x0f));
                }
            }
            _ => {}
        }
    }
    let whole = |left: &[Option<u8>]| left.iter().all(|bits| *bits == Some(0));
    components.iter().enumerate().any(|(i, (_, left))| !whole(if i == 0 { left } else { &left[..1] }))
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
    fn a_progressive_file_without_its_last_scans_lacks_them() {
        let whole = include_bytes!("../../fixtures/progressive.jpg");
        assert!(!lacks_scans(whole));
        let scans: Vec<usize> = (2..whole.len() - 1).filter(|i| whole[*i..*i + 2] == [0xff, 0xda]).collect();
        assert_eq!(scans.len(), 10, "as libjpeg stores colour progressively");
        let cut = |at: usize| [&whole[..at], &[0xff, 0xd9]].concat();
        assert!(scans.iter().all(|at| lacks_scans(&cut(*at))));
        // All scans, and the torn head of one more.
        let with = |more: &[u8]| [&whole[..whole.len() - 2], more].concat();
        assert!(lacks_scans(&with(&[0xff, 0xda, 0, 4, 2, 1])));
        // What follows the end of the picture is no part of it: a second picture, a film.
        let second = [0xff, 0xd9, 0xff, 0xc2, 0, 11, 8, 0, 8, 0, 8, 1, 9, 0x11, 0, 0xff, 0xda, 0, 4, 2, 1];
        assert!(!lacks_scans(&with(&second)));
        assert!(lacks_scans(&[cut(scans[7]), whole.to_vec()].concat()));
        let baseline =
            [0xff, 0xd8, 0xff, 0xc0, 0, 11, 8, 0, 8, 0, 8, 1, 1, 0x11, 0, 0xff, 0xda, 0, 8, 1, 1, 0, 0, 63, 0];
        assert!(!lacks_scans(&baseline) && !lacks_scans(&[&baseline[..], &second].concat()));
    }

    /// Grey, and colour without its fine parts, which the standard allows.
    #[test]
    fn a_progressive_file_may_have_one_component_or_coarse_colour() {
        let scan = |names: &[u8], band: [u8; 2]| {
            let head: Vec<u8> = names.iter().flat_map(|n| [*n, 0]).chain(band).chain([0]).collect();
            [&[0xff, 0xda, 0, head.len() as u8 + 3, names.len() as u8], &head[..], &[1, 2, 3]].concat()
        };
        let frame = |names: &[u8]| {
            let named: Vec<u8> = names.iter().flat_map(|n| [*n, 0x11, 0]).collect();
            [&[0xff, 0xd8, 0xff, 0xc2, 0, named.len() as u8 + 8, 8, 0, 8, 0, 8, names.len() as u8], &named[..]].concat()
        };
        let file = |names: &[u8], scans: &[Vec<u8>]| [frame(names), scans.concat(), vec![0xff, 0xd9]].concat();
        let (mean, fine) = ([0, 0], [1, 63]);
        assert!(!lacks_scans(&file(&[1], &[scan(&[1], mean), scan(&[1], fine)])));
        assert!(lacks_scans(&file(&[1], &[scan(&[1], mean)])));
        assert!(!lacks_scans(&file(&[1, 2, 3], &[scan(&[1, 2, 3], mean), scan(&[1], fine)])));
        assert!(lacks_scans(&file(&[1, 2, 3], &[scan(&[1, 2], mean), scan(&[1], fine)])));
        assert!(!lacks_scans(&file(&[1, 1, 1], &[])), "left to the decoder");
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

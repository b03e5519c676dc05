//! A scale bar burnt into a photograph, as camera programs leave it: a bar with its length in block figures.

/// Three by five dots of each figure and of "um", row by row from the top, the left dot the highest bit.
const FIGURES: [[u8; 5]; 10] = [
    [7, 5, 5, 5, 7],
    [2, 6, 2, 2, 7],
    [7, 1, 7, 4, 7],
    [7, 1, 3, 1, 7],
    [5, 5, 7, 1, 1],
    [7, 4, 7, 1, 7],
    [7, 4, 7, 5, 7],
    [7, 1, 2, 2, 2],
    [7, 5, 7, 5, 7],
    [7, 5, 7, 1, 7],
];
const MICRO: [u8; 5] = [0, 5, 5, 7, 4];
const METRE: [u8; 5] = [0, 7, 7, 5, 5];

/// Burns a bar of a round length, about a fifth of the width, into the lower right corner.
pub(crate) fn burn(rgb: &mut [u8], [w, h]: [usize; 2], um_per_px: f64, ink: [u8; 3]) {
    let target = 0.2 * w as f64 * um_per_px;
    let decade = 10f64.powf(target.log10().floor());
    let round = [5.0, 2.0, 1.0].into_iter().map(|m| m * decade).find(|l| *l <= target).unwrap_or(decade);
    let length = (round / um_per_px).round() as usize;
    let dot = (h / 250).max(2);
    let (right, bottom) = (w.saturating_sub(w / 40), h.saturating_sub(h / 30));
    let mut fill = |x0: usize, y0: usize, dx: usize, dy: usize| {
        for y in y0..(y0 + dy).min(h) {
            for x in x0..(x0 + dx).min(w) {
                rgb[3 * (y * w + x)..][..3].copy_from_slice(&ink);
            }
        }
    };
    fill(right.saturating_sub(length), bottom.saturating_sub(dot * 2), length, dot * 2);
    let mut text: Vec<[u8; 5]> = format!("{round:.0}").bytes().map(|b| FIGURES[usize::from(b - b'0')]).collect();
    text.extend([[0; 5], MICRO, METRE]);
    let start = right.saturating_sub(length / 2 + 2 * dot * text.len());
    for (n, figure) in text.iter().enumerate() {
        for (row, bits) in figure.iter().enumerate() {
            for column in 0..3 {
                if bits >> (2 - column) & 1 == 1 {
                    fill(start + dot * (4 * n + column), bottom.saturating_sub(dot * (9 - row)), dot, dot);
                }
            }
        }
    }
}

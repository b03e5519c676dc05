//! Where the tints themselves show that the film is there: within a small window they change as those of a film of even slope do,
//! which no single tint explains.

use ndarray::Array2;

use super::cells::TintCells;
use super::path::{FilmPath, STEPS};

/// Halves of the windows, cells: some 70 µm wide for narrow bands, 150 for wide ones.
const HALVES: [usize; 2] = [4, 9];
/// Squares that the film may leave, over those that one tint leaves.
const LEAVES: f64 = 0.4;
/// Least spread of the tints in a window, log units: noise has less.
const SPREAD: f64 = 0.012;
/// Share of a window in which a film must be followed, and the rock be seen.
const FOLLOWED: f64 = 0.7;

/// Whether each cell of a box lies within a window that proves the film that was followed there.
pub(super) fn proved(cells: &TintCells, path: &FilmPath, steps: &Array2<u8>, corner: [usize; 2]) -> Array2<bool> {
    let (rows, columns) = steps.dim();
    let mut out = Array2::from_elem((rows, columns), false);
    for half in HALVES {
        for y in (half..rows.saturating_sub(half)).step_by(half / 2) {
            for x in (half..columns.saturating_sub(half)).step_by(half / 2) {
                if steps[[y, x]] > 0 && proves(cells, path, steps, corner, ([x, y], half)) {
                    let marked = half / 2 + 1;
                    for at in (y - marked..=y + marked).flat_map(|y| (x - marked..=x + marked).map(move |x| [y, x])) {
                        out[at] |= steps[at] > 0;
                    }
                }
            }
        }
    }
    out
}

/// A cell of a window.
struct Seen {
    /// From the window's middle, cells.
    off: [f64; 2],
    /// Step of the film that was followed there.
    step: f64,
    tint: [f64; 2],
}

/// Whether the window about (x, y), `half` to either side, proves its film.
fn proves(
    cells: &TintCells,
    path: &FilmPath,
    steps: &Array2<u8>,
    corner: [usize; 2],
    ([x, y], half): ([usize; 2], usize),
) -> bool {
    let mut places: Vec<Seen> = Vec::with_capacity((2 * half + 1).pow(2));
    for (j, v) in (y - half..=y + half).enumerate() {
        for (i, u) in (x - half..=x + half).enumerate() {
            let at = [corner[1] + v, corner[0] + u];
            if steps[[v, u]] > 0 && cells.seen[at] {
                let off = [i as f64 - half as f64, j as f64 - half as f64];
                let step = f64::from(steps[[v, u]]) - 1.0;
                places.push(Seen { off, step, tint: cells.tint[at].map(f64::from) });
            }
        }
    }
    let n = places.len() as f64;
    if n < FOLLOWED * ((2 * half + 1) * (2 * half + 1)) as f64 {
        return false;
    }
    // The plane through the steps: window nearly whole, so its two directions hardly mix.
    let mean = |f: &dyn Fn(&Seen) -> f64| places.iter().map(f).sum::<f64>() / n;
    let (u, v, s) = (mean(&|p| p.off[0]), mean(&|p| p.off[1]), mean(&|p| p.step));
    let (uu, uv, vv) = (
        mean(&|p| (p.off[0] - u).powi(2)),
        mean(&|p| (p.off[0] - u) * (p.off[1] - v)),
        mean(&|p| (p.off[1] - v).powi(2)),
    );
    let (us, vs) = (mean(&|p| (p.off[0] - u) * (p.step - s)), mean(&|p| (p.off[1] - v) * (p.step - s)));
    let determinant = uu * vv - uv * uv;
    if determinant < 1e-6 {
        return false;
    }
    let (a, b) = ((us * vv - vs * uv) / determinant, (vs * uu - us * uv) / determinant);
    let tint = [mean(&|p| p.tint[0]), mean(&|p| p.tint[1])];
    let single = mean(&|p| (p.tint[0] - tint[0]).powi(2) + (p.tint[1] - tint[1]).powi(2));
    let film = mean(&|p| {
        let [r, b] = between(path, s + a * (p.off[0] - u) + b * (p.off[1] - v));
        (p.tint[0] - r).powi(2) + (p.tint[1] - b).powi(2)
    });
    single > SPREAD * SPREAD && film < LEAVES * single
}

/// Tint between two steps of a path.
fn between(path: &FilmPath, step: f64) -> [f64; 2] {
    let step = step.clamp(0.0, (STEPS - 1) as f64 - 1e-6);
    let (k, t) = (step as usize, step.fract());
    [0, 1].map(|c| f64::from(path.tint[k][c]) * (1.0 - t) + f64::from(path.tint[k + 1][c]) * t)
}

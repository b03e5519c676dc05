//! The outline of a patch.

/// Points at even spacing along a closed outline, smoothed over their neighbours.
pub(super) fn resample(raw: &[[f64; 2]], spacing: f64) -> Vec<[f64; 2]> {
    let mut lengths = vec![0.0];
    for (i, a) in raw.iter().enumerate() {
        let b = raw[(i + 1) % raw.len()];
        lengths.push(lengths[i] + (a[0] - b[0]).hypot(a[1] - b[1]));
    }
    let total = lengths[raw.len()];
    let n = ((total / spacing) as usize).max(8);
    let mut out = Vec::with_capacity(n);
    let mut i = 0;
    for k in 0..n {
        let s = total * k as f64 / n as f64;
        while lengths[i + 1] < s && i + 1 < raw.len() {
            i += 1;
        }
        let span = (lengths[i + 1] - lengths[i]).max(1e-9);
        let (a, b, u) = (raw[i], raw[(i + 1) % raw.len()], (s - lengths[i]) / span);
        out.push([a[0] + (b[0] - a[0]) * u, a[1] + (b[1] - a[1]) * u]);
    }
    (0..n)
        .map(|k| {
            let (a, b, c) = (out[(k + n - 1) % n], out[k], out[(k + 1) % n]);
            [0.25 * a[0] + 0.5 * b[0] + 0.25 * c[0], 0.25 * a[1] + 0.5 * b[1] + 0.25 * c[1]]
        })
        .collect()
}

/// Outward unit normal of an outline that turns clockwise on the screen or not: away from its own inside.
pub(super) fn normal(outline: &[[f64; 2]], k: usize) -> [f64; 2] {
    let n = outline.len();
    let (a, b) = (outline[(k + n - 2) % n], outline[(k + 2) % n]);
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let length = dx.hypot(dy).max(1e-9);
    let mut turn = 0.0;
    for (i, p) in outline.iter().enumerate() {
        let q = outline[(i + 1) % n];
        turn += p[0] * q[1] - q[0] * p[1];
    }
    let sign = if turn > 0.0 { 1.0 } else { -1.0 };
    [sign * dy / length, -sign * dx / length]
}

/// Length of an outline, pixels, over its width (a pixel at least), along the axes of its points' second moments.
pub(super) fn slenderness(outline: &[[f64; 2]]) -> f64 {
    let n = outline.len().max(1) as f64;
    let middle = [0, 1].map(|k| outline.iter().map(|p| p[k]).sum::<f64>() / n);
    let moment = |a: usize, b: usize| outline.iter().map(|p| (p[a] - middle[a]) * (p[b] - middle[b])).sum::<f64>();
    let (sin, cos) = (0.5 * (2.0 * moment(0, 1)).atan2(moment(0, 0) - moment(1, 1))).sin_cos();
    let span = |axis: [f64; 2]| {
        let places = outline.iter().map(|p| p[0] * axis[0] + p[1] * axis[1]);
        let (least, most) = places.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(v), b.max(v)));
        most - least
    };
    span([cos, sin]) / span([-sin, cos]).max(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rectangle_is_as_slender_as_its_sides_say_whichever_way_it_lies() {
        for degrees in [0.0, 31.0, 90.0, 140.0] {
            let (sin, cos) = f64::to_radians(degrees).sin_cos();
            let side = |k: u32, y: f64| {
                let x = 240.0 * f64::from(k) / 60.0 - 120.0;
                [300.0 + x * cos - y * sin, 200.0 + x * sin + y * cos]
            };
            let outline: Vec<[f64; 2]> =
                (0..=60).map(|k| side(k, 20.0)).chain((0..=60).rev().map(|k| side(k, -20.0))).collect();
            let told = slenderness(&outline);
            assert!((told - 6.0).abs() < 1e-6, "240 by 40 at {degrees} degrees: {told}");
        }
    }
}

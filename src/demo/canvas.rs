//! What the light meets, pixel by pixel: the state of one field before any photograph is taken of it.

/// Maps of one field on its plane photograph's grid, with a margin for shifts and turned stages.
pub(crate) struct Canvas {
    /// Width with margins, pixels.
    pub(crate) w: usize,
    /// Height with margins, pixels.
    pub(crate) h: usize,
    /// Where the photograph's pixel (0, 0) lies on the canvas.
    pub(crate) origin: [usize; 2],
    /// Grain of each pixel.
    pub(crate) label: Vec<u32>,
    /// Distance to the next grain, pixels.
    pub(crate) edge: Vec<f32>,
    /// Retardation at 589.3 nm, nm.
    pub(crate) retardation: Vec<f32>,
    /// Azimuth of the slow ray, radians, anticlockwise from +x as seen.
    pub(crate) azimuth: Vec<f32>,
    /// Whether the dispersion is that of quartz.
    pub(crate) is_quartz: Vec<bool>,
    /// Absorbance (natural logarithm) of red, green, blue.
    pub(crate) absorbance: Vec<[f32; 3]>,
    /// Light scattered through crossed polars at every angle, as a share of plane light.
    pub(crate) glow: Vec<f32>,
    /// Retardation (nm) and azimuth (radians) of what lies over the rock; empty where nothing does.
    pub(crate) over: Vec<[f32; 2]>,
}

impl Canvas {
    /// Clear isotropic glass.
    pub(crate) fn new(w: usize, h: usize, origin: [usize; 2]) -> Self {
        let n = w * h;
        Self {
            w,
            h,
            origin,
            label: vec![0; n],
            edge: vec![0.0; n],
            retardation: vec![0.0; n],
            azimuth: vec![0.0; n],
            is_quartz: vec![false; n],
            absorbance: vec![[0.0; 3]; n],
            glow: vec![0.0; n],
            over: Vec::new(),
        }
    }

    /// Darkens (or with a negative depth brightens) a pixel.
    pub(crate) fn stain(&mut self, at: usize, depth: f32, tint: [f32; 3]) {
        let a = &mut self.absorbance[at];
        for c in 0..3 {
            a[c] += depth * tint[c];
        }
    }

    /// Area of the photograph's own frame on the canvas: x0, y0, x1, y1, half-open.
    pub(crate) fn frame(&self, width: usize, height: usize) -> [usize; 4] {
        [self.origin[0], self.origin[1], self.origin[0] + width, self.origin[1] + height]
    }
}

/// Draws shapes by their greatest depth, so that the joints of a line are no darker than the line.
pub(crate) struct Pen {
    w: usize,
    h: usize,
    depth: Vec<f32>,
    touched: Vec<usize>,
}

impl Pen {
    /// A pen for a canvas.
    pub(crate) fn new(canvas: &Canvas) -> Self {
        Self { w: canvas.w, h: canvas.h, depth: vec![0.0; canvas.w * canvas.h], touched: Vec::new() }
    }

    /// Raises the depth at a pixel to at least `value`.
    pub(crate) fn touch(&mut self, at: usize, value: f32) {
        if self.depth[at] == 0.0 {
            self.touched.push(at);
        }
        if value > self.depth[at] {
            self.depth[at] = value;
        }
    }

    /// Applies `f` to every pixel within `reach` of the segment with its distance (px) and its place along it (0..=1).
    pub(crate) fn along(
        &mut self,
        from: [f32; 2],
        to: [f32; 2],
        reach: f32,
        mut f: impl FnMut(f32, f32, usize) -> f32,
    ) {
        let (dx, dy) = (to[0] - from[0], to[1] - from[1]);
        let length2 = (dx * dx + dy * dy).max(1e-6);
        let (x0, x1) = span(from[0].min(to[0]) - reach, from[0].max(to[0]) + reach, self.w);
        let (y0, y1) = span(from[1].min(to[1]) - reach, from[1].max(to[1]) + reach, self.h);
        for y in y0..y1 {
            // Only the part of this row that the segment can reach.
            for x in x0..x1 {
                let (px, py) = (x as f32 - from[0], y as f32 - from[1]);
                let t = ((px * dx + py * dy) / length2).clamp(0.0, 1.0);
                let (ex, ey) = (px - t * dx, py - t * dy);
                let distance2 = ex * ex + ey * ey;
                if distance2 <= reach * reach {
                    let at = y * self.w + x;
                    let depth = f(distance2.sqrt(), t, at);
                    if depth > 0.0 {
                        self.touch(at, depth);
                    }
                }
            }
        }
    }

    /// A line through points, Gaussian across, of this standard deviation and depth.
    pub(crate) fn line(&mut self, points: &[[f32; 2]], sd: f32, depth: impl Fn(usize, usize) -> f32) {
        for (i, pair) in points.windows(2).enumerate() {
            self.along(pair[0], pair[1], 3.0 * sd + 0.5, |d, _, at| depth(i, at) * (-0.5 * (d / sd).powi(2)).exp());
        }
    }

    /// A disc with a soft rim.
    pub(crate) fn disc(&mut self, centre: [f32; 2], radius: f32, soft: f32, depth: f32) {
        let reach = radius + 2.0 * soft + 1.0;
        self.along(centre, centre, reach, |d, _, _| depth / (1.0 + (4.0 * (d - radius) / soft.max(0.2)).exp()));
    }

    /// Hands every touched pixel and its depth over and forgets them.
    pub(crate) fn lift(&mut self, mut f: impl FnMut(usize, f32)) {
        for at in self.touched.drain(..) {
            f(at, self.depth[at]);
            self.depth[at] = 0.0;
        }
    }
}

fn span(lo: f32, hi: f32, n: usize) -> (usize, usize) {
    ((lo.floor().max(0.0) as usize).min(n), (hi.ceil() + 1.0).clamp(0.0, n as f32) as usize)
}

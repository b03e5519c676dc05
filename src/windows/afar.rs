//! A large field from afar: every photograph gone through once from end to end, its light added up in large cells.

use rayon::prelude::*;

use crate::error::{Error, Result};
use crate::register::{Cells, FieldStack};
use crate::section::white::{White, WhiteSamples};
use crate::slide::encoding::Curve;
use crate::slide::folder::{FieldPhotographs, FieldPlan, FieldScans};
use crate::slide::photograph::{Photograph, Samples, mask};
use crate::slide::record::Turned;
use crate::slide::scan::{Scan, Window};
use crate::units::MicrometresPerPixel;

/// Longest side of a field from afar, cells: that of its pictures in the report.
const LONGEST: usize = 2400;

/// What one look from end to end gives.
pub(super) struct Afar {
    /// Pixels along each side of a cell.
    by: usize,
    /// The light field of the plane photograph.
    pub(super) white: White,
}

impl Afar {
    /// Goes through all photographs, side by side, and gives them back reduced, linear light at 16 bit.
    pub(super) fn of(scans: &mut FieldScans) -> Result<(Self, FieldPhotographs)> {
        let size = [scans.plane.width, scans.plane.height];
        let by = size[0].max(size[1]).div_ceil(LONGEST).max(1);
        let mut samples = WhiteSamples::new(size);
        let (plane, crossed) = rayon::join(
            || reduced(&mut scans.plane, by, Some(&mut samples)),
            || scans.crossed.par_iter_mut().map(|scan| reduced(scan, by, None)).collect::<Vec<_>>(),
        );
        let blank = scans.blank.as_mut().map(|scan| reduced(scan, by, None)).transpose()?;
        let crossed = crossed.into_iter().collect::<Result<_>>()?;
        let photographs = FieldPhotographs { plane: plane?, crossed, blank };
        Ok((Self { by, white: White::fit(&samples) }, photographs))
    }

    /// The field from afar, registered.
    pub(super) fn stack(
        &self,
        plan: &FieldPlan,
        photographs: FieldPhotographs,
        scale: Option<MicrometresPerPixel>,
        turned: Turned,
    ) -> Result<FieldStack> {
        let [width, height] = [photographs.plane.record.width_px, photographs.plane.record.height_px];
        let path = photographs.plane.path.clone();
        let scale = scale.map(|s| MicrometresPerPixel::from_um_per_px(s.um_per_px() * self.by as f64));
        let mut stack = FieldStack::on_cells(plan, photographs, scale, turned, Cells::OF_A_SECTION)?;
        stack.reduced_by = self.by;
        stack.overview = stack.overview.of_reduced(self.by);
        if turned == Turned::Stage || stack.crossed.iter().any(|c| c.placement.turn != 0.0) {
            return Err(Error::new(
                path,
                format!("has {width} x {height} pixels and was taken with a turned stage"),
                "scan whole sections with turned polars; of a single field give the scale and turned = \"stage\" in slide.toml, or photographs of at most 24 megapixels",
            ));
        }
        Ok(stack)
    }
}

/// A photograph with `by` pixels along each side as one, as linear light of 16 bit. `samples` takes what it needs of it.
fn reduced(scan: &mut Scan, by: usize, mut samples: Option<&mut WhiteSamples>) -> Result<Photograph> {
    let (width, height) = (scan.width / by, scan.height / by);
    let mut sums = vec![0.0_f32; 3 * width * height];
    let (mut clipped, mut top) = (0_u64, 0_u16);
    for window in scan.from_end_to_end() {
        let part = scan.window(window)?;
        let masks = part.code_masks();
        let (count, highest) = match &part.samples {
            Samples::Eight(codes) => add(codes, &part, &masks, window, by, (&mut sums, width, height)),
            Samples::Sixteen(codes) => add(codes, &part, &masks, window, by, (&mut sums, width, height)),
        };
        clipped += count;
        top = top.max(highest);
        if let Some(samples) = samples.as_deref_mut() {
            let (from, to) = ([window.x, window.y], [window.x + window.width, window.y + window.height]);
            samples.take(from, to, |x, y, c| part.light(x - window.x, y - window.y, c));
        }
    }
    scan.seen(clipped, top);
    let scale = 65_535.0 / (by * by) as f32;
    let codes = sums.iter().map(|s| (s * scale).round() as u16).collect();
    let mut photograph =
        Photograph::from_samples("", scan.record.role, width, height, Samples::Sixteen(codes), &Curve::Linear);
    photograph.path.clone_from(&scan.path);
    photograph.record.clone_from(&scan.record);
    photograph.angle = scan.angle;
    Ok(photograph)
}

/// Adds a window's light to the cells it lies in; gives back how many pixels are clipped, and the highest code.
fn add<T: Copy + Ord + Into<u16>>(
    codes: &[T],
    part: &Photograph,
    masks: &[u8],
    window: Window,
    by: usize,
    (sums, width, height): (&mut [f32], usize, usize),
) -> (u64, u16) {
    let (mut clipped, mut top) = (0, 0);
    for (k, row) in codes.chunks_exact(3 * window.width).enumerate() {
        let j = (window.y + k) / by;
        let (mut i, mut left) = (window.x / by, by - window.x % by);
        for pixel in row.chunks_exact(3) {
            let highest: u16 = pixel[0].max(pixel[1]).max(pixel[2]).into();
            top = top.max(highest);
            clipped += u64::from(masks[usize::from(highest)] & mask::CLIPPED != 0);
            // An incomplete last row or column of cells is dropped.
            if i < width && j < height {
                let cell = &mut sums[3 * (j * width + i)..][..3];
                for (sum, code) in cell.iter_mut().zip(pixel) {
                    *sum += part.to_linear[usize::from((*code).into())];
                }
            }
            left -= 1;
            if left == 0 {
                (i, left) = (i + 1, by);
            }
        }
    }
    (clipped, top)
}

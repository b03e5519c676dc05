//! Plane photographs that were looked over already: every crossed one of their field is judged by the same look.

use std::collections::VecDeque;
use std::sync::Arc;

use crate::section::plane_light::PlaneLight;
use crate::section::plane_look::PlaneLook;
use crate::slide::Slide;
use crate::slide::encoding::Encoding;
use crate::slide::photograph::Photograph;

/// Pixels of the photographs whose looks are kept beside the newest one: some 60 bytes are held of each.
const MOST_PIXELS: usize = 12_000_000;

/// What a look depends on.
#[derive(Clone, Debug, PartialEq)]
struct Of {
    sha256: String,
    um_per_px: Option<f64>,
    encoding: Option<Encoding>,
}

/// The looks at the newest plane photographs.
#[derive(Default)]
pub(super) struct Looks {
    /// Newest last, each with the pixels of its photograph.
    kept: VecDeque<(Of, usize, Arc<PlaneLook>)>,
}

impl Looks {
    /// The look at a slide's plane photograph: the one that is kept, or a new one.
    pub(super) fn at(&mut self, plane: &Photograph, slide: &Slide) -> Arc<PlaneLook> {
        let of = Of {
            sha256: plane.record.sha256.clone(),
            um_per_px: slide.scale.map(crate::units::MicrometresPerPixel::um_per_px),
            encoding: slide.encoding,
        };
        if let Some((_, _, look)) = self.kept.iter().find(|k| k.0 == of) {
            return Arc::clone(look);
        }
        let look = Arc::new(PlaneLook::of(Arc::new(PlaneLight::of(plane, slide.scale))));
        self.kept.push_back((of, plane.width * plane.height, Arc::clone(&look)));
        while self.kept.len() > 1 && self.kept.iter().map(|k| k.1).sum::<usize>() > MOST_PIXELS {
            self.kept.pop_front();
        }
        look
    }
}

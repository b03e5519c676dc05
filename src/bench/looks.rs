//! Plane photographs that were looked over already: every crossed one of their field is judged by the same look.

use std::collections::VecDeque;
use std::sync::Arc;

use crate::section::plane_light::PlaneLight;
use crate::section::plane_look::PlaneLook;
use crate::slide::Slide;
use crate::slide::encoding::Encoding;
use crate::slide::photograph::Photograph;
use crate::units::MicrometresPerPixel;

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
            um_per_px: slide.scale.map(MicrometresPerPixel::um_per_px),
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::{Rock, Scene};

    #[test]
    fn a_photograph_is_looked_over_once_and_anew_at_another_scale() {
        let dir = tempfile::tempdir().unwrap();
        let scene = |id: &str, seed| Scene { size_px: [320, 240], ..Scene::new(id, seed, Rock::Quartzite) };
        let slides = [("LM-0301", 1), ("LM-0302", 2)]
            .map(|(id, seed)| Slide::read(&scene(id, seed).render_to(dir.path()).unwrap().0).unwrap());
        let planes = slides.each_ref().map(|s| s.load_plane(&s.fields[0]).unwrap());
        let mut looks = Looks::default();
        let first = looks.at(&planes[0], &slides[0]);
        let other = looks.at(&planes[1], &slides[1]);
        assert!(!Arc::ptr_eq(&first, &other), "another photograph");
        let again = slides[0].load_plane(&slides[0].fields[0]).unwrap();
        assert!(Arc::ptr_eq(&first, &looks.at(&again, &slides[0])), "the same photograph, read again");
        let finer = Slide { scale: Some(MicrometresPerPixel::from_um_per_px(1.1)), ..slides[0].clone() };
        let rescaled = looks.at(&planes[0], &finer);
        assert!(!Arc::ptr_eq(&first, &rescaled), "lengths are others at another scale");
        assert_eq!(rescaled.light.um_per_px, 1.1);
    }

    #[test]
    fn only_the_newest_large_photographs_are_kept() {
        let dir = tempfile::tempdir().unwrap();
        let scene = Scene { size_px: [320, 240], ..Scene::new("LM-0303", 3, Rock::Quartzite) };
        let slide = Slide::read(&scene.render_to(dir.path()).unwrap().0).unwrap();
        let plane = slide.load_plane(&slide.fields[0]).unwrap();
        let mut looks = Looks::default();
        looks.at(&plane, &slide);
        // As if it had been larger.
        looks.kept[0].1 = MOST_PIXELS;
        let finer = Slide { scale: Some(MicrometresPerPixel::from_um_per_px(1.1)), ..slide };
        looks.at(&plane, &finer);
        assert_eq!(looks.kept.len(), 1, "the first had to go");
    }
}

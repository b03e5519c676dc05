//! Grades of grit by grain size, and which of them can have left a scratch of a given width.
//!
//! A grain leaves no scratch wider than itself, so a width bounds the grain from below; no published rule gives more, since a
//! grain may touch with any part of itself. A number without its grading system says nothing: 600 is 9 µm in FEPA F and
//! 26 µm in FEPA P.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A grade and its median grain, µm.
type Grade = (&'static str, f64);

/// FEPA F (ISO 8486-2), loose and bonded grit, median by sedimentation, coarse to fine: from memory.
const FEPA_F: [Grade; 13] = [
    ("F230", 53.0),
    ("F240", 44.5),
    ("F280", 36.5),
    ("F320", 29.2),
    ("F360", 22.8),
    ("F400", 17.3),
    ("F500", 12.8),
    ("F600", 9.3),
    ("F800", 6.5),
    ("F1000", 4.5),
    ("F1200", 3.0),
    ("F1500", 2.0),
    ("F2000", 1.2),
];

/// FEPA P (ISO 6344), grit on paper and film: P240 to P2500 read in a published table, P3000 and P4000 from memory.
const FEPA_P: [Grade; 15] = [
    ("P240", 58.5),
    ("P280", 52.2),
    ("P320", 46.2),
    ("P360", 40.5),
    ("P400", 35.0),
    ("P500", 30.2),
    ("P600", 25.8),
    ("P800", 21.8),
    ("P1000", 18.3),
    ("P1200", 15.3),
    ("P1500", 12.6),
    ("P2000", 10.3),
    ("P2500", 8.4),
    ("P3000", 7.0),
    ("P4000", 5.0),
];

/// Width that a sharp photograph gives a line of none, pixels: √2π times a blur of 0.8 pixels (house value).
const OF_THE_CAMERA_PX: f64 = 2.0;

/// The finest grit that can have left a scratch.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GritBound {
    /// The grain is at least so large, µm: the width of the scratch without what the camera adds.
    pub grain_at_least_um: f64,
    /// Finest grade of FEPA F (loose grit) with a median grain of that size or more; null when none is so coarse.
    pub no_finer_than_fepa_f: Option<String>,
    /// Finest grade of FEPA P (paper, film) with a median grain of that size or more; null when none is so coarse.
    pub no_finer_than_fepa_p: Option<String>,
}

impl GritBound {
    /// From a scratch's width and the scale, both µm; None when the width is no more than what the camera adds.
    #[must_use]
    pub fn of(width_um: f64, um_per_px: f64) -> Option<Self> {
        let camera = OF_THE_CAMERA_PX * um_per_px;
        let grain = (width_um * width_um - camera * camera).max(0.0).sqrt();
        // Less than half a pixel beyond the camera's own is not told from none.
        if width_um < camera + 0.5 * um_per_px {
            return None;
        }
        let finest =
            |grades: &[Grade]| grades.iter().rev().find(|(_, um)| *um >= grain).map(|(name, _)| (*name).to_owned());
        Some(Self {
            grain_at_least_um: grain,
            no_finer_than_fepa_f: finest(&FEPA_F),
            no_finer_than_fepa_p: finest(&FEPA_P),
        })
    }

    /// "grit no finer than F800 (FEPA F) or P3000 (FEPA P)".
    #[must_use]
    pub fn words(&self) -> String {
        match (&self.no_finer_than_fepa_f, &self.no_finer_than_fepa_p) {
            (Some(f), Some(p)) => format!("grit no finer than {f} (FEPA F) or {p} (FEPA P)"),
            (None, Some(p)) => format!("grit no finer than {p} (FEPA P)"),
            (Some(f), None) => format!("grit no finer than {f} (FEPA F)"),
            (None, None) => format!("grains of {:.0} µm or more", self.grain_at_least_um),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 600 is 9.3 µm in one system and 25.8 µm in the other.
    #[test]
    fn the_same_number_is_another_grain_in_the_other_system() {
        let of = |grades: &[Grade], name: &str| grades.iter().find(|g| g.0 == name).expect("listed").1;
        assert_eq!((of(&FEPA_F, "F600"), of(&FEPA_P, "P600")), (9.3, 25.8));
        for grades in [&FEPA_F[..], &FEPA_P[..]] {
            assert!(grades.windows(2).all(|w| w[0].1 > w[1].1), "coarse to fine");
        }
    }

    #[test]
    fn a_width_shuts_out_what_is_finer_and_nothing_else() {
        // At 0.5 µm per pixel the camera adds 1 µm in quadrature: 6 µm wide is 5.9 µm of grain.
        let bound = GritBound::of(6.0, 0.5).expect("wide enough");
        assert!((bound.grain_at_least_um - 35.0_f64.sqrt()).abs() < 1e-12);
        assert_eq!(bound.no_finer_than_fepa_f.as_deref(), Some("F800"));
        assert_eq!(bound.no_finer_than_fepa_p.as_deref(), Some("P3000"));
        assert_eq!(bound.words(), "grit no finer than F800 (FEPA F) or P3000 (FEPA P)");
        // Wider than the median grain of any grade.
        let wide = GritBound::of(80.0, 0.5).expect("wide");
        assert_eq!((wide.no_finer_than_fepa_f.as_ref(), wide.no_finer_than_fepa_p.as_ref()), (None, None));
        assert_eq!(wide.words(), "grains of 80 µm or more");
    }

    #[test]
    fn a_width_that_the_camera_gives_says_nothing_of_the_grit() {
        assert_eq!(GritBound::of(3.0, 1.6), None);
        assert_eq!(GritBound::of(3.9, 1.6), None);
        assert!(GritBound::of(4.1, 1.6).is_some_and(|b| b.grain_at_least_um < 2.6));
    }
}

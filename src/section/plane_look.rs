//! What the plane photograph alone shows: circles that may be bubbles, courses that may be scratches and fibres.
//!
//! The crossed pictures then say what they are. A plane photograph is so looked over once, however many crossed ones follow it.

use std::sync::Arc;

use rayon::prelude::*;

use crate::section::bubbles::{self, Drawn};
use crate::section::fibres::{self, Course};
use crate::section::line_search::{LineSearch, line_bins};
use crate::section::plane_light::PlaneLight;
use crate::section::scratches::{self, Straight};
use crate::section::unjudged::COARSEST_FOR_SCRATCHES_UM;
use crate::timings::stage;

/// Plane light with what may be a defect by it.
pub struct PlaneLook {
    /// The light.
    pub(crate) light: Arc<PlaneLight>,
    /// Circles.
    pub(crate) circles: Vec<Drawn>,
    /// Straight and bent dark courses, search by search; none where the pixel is too coarse to show scratches.
    pub(crate) courses: Vec<Followed>,
}

/// The courses of one search.
pub(crate) struct Followed {
    /// The search.
    pub(crate) search: LineSearch,
    /// Straight ones that may be scratches.
    pub(crate) straight: Vec<Straight>,
    /// Bent ones that may be fibres.
    pub(crate) bent: Vec<Course>,
}

impl PlaneLook {
    /// Looks a field's plane light over.
    #[must_use]
    pub fn of(light: Arc<PlaneLight>) -> Self {
        let (circles, courses) = rayon::join(
            || {
                stage!("defects: circles");
                bubbles::drawn(&light)
            },
            || {
                stage!("defects: courses");
                if light.um_per_px < COARSEST_FOR_SCRATCHES_UM { followed(&light) } else { Vec::new() }
            },
        );
        Self { light, circles, courses }
    }
}

fn followed(light: &PlaneLight) -> Vec<Followed> {
    let (for_lines, for_threads) = (line_bins(light.um_per_px), fibres::bins(light.um_per_px));
    let mut bins: Vec<usize> = for_lines.into_iter().chain(for_threads).collect();
    bins.sort_unstable();
    bins.dedup();
    bins.into_par_iter()
        .filter_map(|bin| LineSearch::of(light, bin))
        .map(|search| {
            let lines = for_lines.contains(&search.bin);
            let threads = for_threads.contains(&search.bin);
            let (straight, bent) = rayon::join(
                || if lines { scratches::followed(light, &search) } else { Vec::new() },
                || if threads { fibres::followed(light, &search) } else { Vec::new() },
            );
            Followed { search, straight, bent }
        })
        .collect()
}

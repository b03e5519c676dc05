//! Slides of the invented Larkmoor collection, rendered with known truth: for the demo, the docs, the tests and the studies.
//!
//! A [`Scene`] says what the slide is; [`Scene::render_field`] renders a field in memory and [`Scene::render_to`] writes a
//! slide folder with `truth.json` beside the photographs. Physics, not drawing: grains with random c-axes, the spectrum
//! through each of them, lamp, camera curve, exposure, noise, blur, vignette. Left out: optical activity of quartz along
//! its axis, the second refraction at dipping borders (only a thinning there), and the light's cone.

mod camera;
mod canvas;
mod clutter;
mod dice;
mod drawer;
mod exif;
mod fibres;
mod field;
mod flaws;
mod folder;
mod frosted_light;
pub mod frosted_scene;
pub mod frosted_slide;
mod larkmoor;
mod lifted;
mod light;
mod mineral;
mod mosaic;
mod plucked;
mod rock;
pub mod ruled;
mod scale_bar;
mod scene;
pub mod score;
mod truth;
pub mod unruled;
mod varied;
pub mod whole_section;

pub use drawer::{BOND_UM, GrinderFault};
pub use field::{RenderedField, RenderedPhotograph};
pub use larkmoor::{LARKMOOR_FAULT, LarkmoorSlide, larkmoor};
pub use light::{ColourTable, Eye, Lamp, quartz_birefringence, quartz_indices, quartz_seen_at};
pub use scene::{Balance, CameraSpec, Exif, Fabric, Flaws, Rock, Scene, View, Wedge};
pub use truth::{
    FieldTruth, ThicknessTruth, Totals, TrueBubble, TrueFibre, TrueLifted, TruePluck, TruePore, TrueScratch, Truth,
};

//! What comes in: the slide folder, `slide.toml`, file names, EXIF, and photographs in linear light.
//!
//! Everything is resolved here, at the border: paths, scale, exposure and angle are settled, and what was assumed is named.

mod colourless;
pub mod decode;
pub mod encoding;
pub mod exif;
pub mod folder;
mod jpeg;
pub mod manifest;
pub mod names;
pub mod objectives;
pub mod photograph;
mod pieces;
mod planning;
pub mod record;
mod resolve;
pub mod rows;
pub mod scan;
mod tiff_head;

pub use encoding::{Curve, Encoding};
pub use folder::{FieldPlan, QuartzMark, Slide};
pub use photograph::{LinearPlanes, Photograph};
pub use record::{Corner, Finish, Impregnation, SlideRecord, Turned};

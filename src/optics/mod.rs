//! Spectra and observers, quartz, interference colour forward and back. Pure functions.

pub mod film;
pub mod interference;
pub mod lamp;
pub mod mineral;
pub mod observer;
pub mod quartz;
pub mod srgb;

pub use interference::InterferenceColours;
pub use lamp::Lamp;

//! Crystals of one field: patches of one interference colour and one extinction, and how likely each is quartz.

use ndarray::Array2;

/// One crystal (or one clean patch of it) with its mean interference colour.
#[derive(Clone, Debug)]
pub struct Crystal {
    /// Label in [`Crystals::labels`].
    pub label: u32,
    /// Centroid, pixels.
    pub x_px: f64,
    /// Centroid, pixels.
    pub y_px: f64,
    /// Area, pixels.
    pub area_px: f64,
    /// Crossed over plane light at the brightest position (amplitude of sin² 2(φ-a)), linear R, G, B.
    pub amplitude: [f64; 3],
    /// Standard uncertainty of `amplitude`.
    pub amplitude_u: [f64; 3],
    /// How likely it is quartz, 0..=1.
    pub quartz: f64,
    /// Weight as one vote: 1 over the number of pieces that the crystal fell into.
    pub weight: f64,
}

/// The crystals of one field and where they are.
#[derive(Clone, Debug)]
pub struct Crystals {
    /// Binning of `labels`.
    pub bin: usize,
    /// Label of each cell, 0 for none; (height / bin, width / bin).
    pub labels: Array2<u32>,
    /// The crystals, ascending label.
    pub crystals: Vec<Crystal>,
}

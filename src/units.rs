//! Quantities that are silently swappable otherwise: a bare number goes in and comes out only by a method naming its unit.

use serde::{Deserialize, Serialize};

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $from:ident, $to:ident, $unit:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(f64);

        impl $name {
            #[doc = concat!("From a number in ", $unit, ".")]
            #[must_use]
            pub const fn $from(value: f64) -> Self {
                Self(value)
            }

            #[doc = concat!("As a number in ", $unit, ".")]
            #[must_use]
            pub const fn $to(self) -> f64 {
                self.0
            }
        }
    };
}

quantity!(
    /// A length on or through the section, micrometres: thickness, bubble diameter, scratch length.
    Micrometres, from_um, um, "micrometres"
);
quantity!(
    /// A retardation or a wavelength, nanometres.
    Nanometres, from_nm, nm, "nanometres"
);
quantity!(
    /// A length on the glass, millimetres: section coordinates and field positions.
    Millimetres, from_mm, mm, "millimetres"
);
quantity!(
    /// The scale of a photograph, micrometres on the section per pixel.
    MicrometresPerPixel, from_um_per_px, um_per_px, "micrometres per pixel"
);
quantity!(
    /// An angle in degrees, anticlockwise from +x as seen.
    Degrees, from_deg, deg, "degrees"
);

impl MicrometresPerPixel {
    /// Length on the section of `px` pixels.
    #[must_use]
    pub fn length(self, px: f64) -> Micrometres {
        Micrometres::from_um(px * self.um_per_px())
    }

    /// Pixels spanned by a length on the section.
    #[must_use]
    pub fn pixels(self, length: Micrometres) -> f64 {
        length.um() / self.um_per_px()
    }
}

impl Degrees {
    /// The angle in radians, anticlockwise.
    #[must_use]
    pub fn radians(self) -> f64 {
        self.deg().to_radians()
    }
}

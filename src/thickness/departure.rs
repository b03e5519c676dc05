//! How a camera's colours depart from those computed for a lamp: its channels' mean wavelengths, and what its matrix mixes.

use nalgebra::{Matrix3, SMatrix, SVector, Vector3};

use crate::optics::observer::WhiteScaling;

/// Numbers of one departure: a stretch for each channel, and two shares of mixing for each.
pub(crate) const COUNT: usize = 9;

/// Stretches of the R, G, B retardation scales (a channel whose mean wavelength is shorter by a share s shows at Γ the value that
/// it had at Γ·e^s), then for each channel how much of the next and of the one after it is mixed in, white staying white.
pub(crate) type Departure = SVector<f64, COUNT>;

/// Index of the share of channel `other` in channel `c`.
pub(crate) fn mixing(c: usize, other: usize) -> usize {
    3 + 2 * c + (other + 2 - c) % 3
}

/// The matrix that mixes the channels.
pub(crate) fn matrix(departure: &Departure) -> Matrix3<f64> {
    Matrix3::from_fn(|c, other| {
        if c == other {
            1.0 - departure[mixing(c, (c + 1) % 3)] - departure[mixing(c, (c + 2) % 3)]
        } else {
            departure[mixing(c, other)]
        }
    })
}

/// What is known of a camera's departure beforehand: standard uncertainties around nothing.
#[derive(Clone, Copy, Debug)]
pub(crate) struct DeparturePrior {
    /// How far the channels' mean wavelengths depart from the lamp's, as a share, beyond what they have in common.
    pub(crate) stretch_u: f64,
    /// Shares of the other channels.
    pub(crate) mixing_u: f64,
}

/// What the channels' stretches have in common cannot be told from thickness: the lamps' own differences stand for it.
const COMMON_STRETCH_U: f64 = 1e-4;

impl DeparturePrior {
    /// No departure: lamps are taken as they are.
    pub(crate) const NONE: Self = Self { stretch_u: 0.0, mixing_u: 0.0 };

    /// Of a camera with these channels under a lamp: each make of sensor has its own dyes, each maker its own matrix, and each white LED
    /// (`led`) its own line and phosphor, while a black body and daylight are what they are (house values).
    pub(crate) fn of(scaling: WhiteScaling, led: bool) -> Self {
        match (scaling.is_dyed(), led) {
            (true, _) => Self { stretch_u: 0.012, mixing_u: 0.03 },
            (false, true) => Self { stretch_u: 0.006, mixing_u: 0.0015 },
            (false, false) => Self { stretch_u: 0.003, mixing_u: 0.0015 },
        }
    }

    /// Information on a departure.
    pub(crate) fn information(self) -> SMatrix<f64, COUNT, COUNT> {
        let mean_of = Matrix3::from_element(1.0 / 3.0);
        let own = self.stretch_u.max(COMMON_STRETCH_U);
        let stretch: Matrix3<f64> = (Matrix3::identity() - mean_of) / (own * own) + mean_of / COMMON_STRETCH_U.powi(2);
        let mixing = 1.0 / self.mixing_u.max(COMMON_STRETCH_U).powi(2);
        let mut information = SMatrix::<f64, COUNT, COUNT>::from_diagonal_element(mixing);
        information.fixed_view_mut::<3, 3>(0, 0).copy_from(&stretch);
        information
    }
}

/// A colour with its channels mixed; may lie outside what a camera records.
pub(crate) fn mixed(matrix: &Matrix3<f64>, colour: [f64; 3]) -> [f64; 3] {
    (matrix * Vector3::from(colour)).into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mixing_takes_from_the_channel_that_it_names_and_keeps_white() {
        let mut departure = Departure::zeros();
        departure[mixing(0, 1)] = 0.1;
        departure[mixing(2, 0)] = -0.02;
        let matrix = matrix(&departure);
        let seen = mixed(&matrix, [0.2, 0.6, 0.4]);
        for (seen, expected) in seen.iter().zip([0.2 + 0.1 * 0.4, 0.6, 0.4 - 0.02 * (0.2 - 0.4)]) {
            assert!((seen - expected).abs() < 1e-12, "{seen} {expected}");
        }
        assert_eq!(mixed(&matrix, [0.7; 3]).map(|v| (v * 1e9).round()), [7e8; 3]);
        let places: std::collections::BTreeSet<usize> =
            (0..3).flat_map(|c| [mixing(c, (c + 1) % 3), mixing(c, (c + 2) % 3)]).collect();
        assert_eq!(places.into_iter().collect::<Vec<_>>(), (3..COUNT).collect::<Vec<_>>());
    }

    /// The directions that data may move in cost what the prior says, and a common stretch is forbidden.
    #[test]
    fn a_common_stretch_is_dear_and_a_stretch_of_one_against_another_is_not() {
        for (led, stretch_u) in [(true, 0.006), (false, 0.003)] {
            let prior = DeparturePrior::of(WhiteScaling::Channels, led);
            let cost = |stretch: [f64; 3]| {
                let mut departure = Departure::zeros();
                departure.fixed_rows_mut::<3>(0).copy_from(&Vector3::from(stretch));
                departure.dot(&(prior.information() * departure))
            };
            let apart = cost([stretch_u, -stretch_u, 0.0]);
            assert!((apart - 2.0).abs() < 1e-6, "{apart}");
            assert!(cost([stretch_u; 3]) > 1000.0);
        }
    }
}

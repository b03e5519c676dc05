//! The frame of the bevelled corner: along the width and along the height, both away from it.
//!
//! The bevel sends every slide back onto the chuck the same way round, so that what points one way in this frame points one
//! way on the chuck, however the slide lay under the camera.

use crate::slide::record::Corner;

/// +1 or -1 for each axis: which way of the section's x and y leads away from the bevelled corner.
#[must_use]
pub const fn away(mark: Corner) -> [f64; 2] {
    match mark {
        Corner::TopLeft => [1.0, -1.0],
        Corner::TopRight => [-1.0, -1.0],
        Corner::BottomLeft => [1.0, 1.0],
        Corner::BottomRight => [-1.0, 1.0],
    }
}

/// A vector of section coordinates in the frame of the bevelled corner.
#[must_use]
pub const fn in_frame(mark: Corner, [x, y]: [f64; 2]) -> [f64; 2] {
    let [u, v] = away(mark);
    [u * x, v * y]
}

/// An axis of section coordinates in the frame of the bevelled corner, degrees from the width, 0..180.
#[must_use]
pub fn axis_in_frame(mark: Corner, axis_deg: f64) -> f64 {
    let [u, v] = away(mark);
    (u * v * axis_deg).rem_euclid(180.0)
}

/// Where a direction of the frame leads, in words; degrees from "away along the width" to "away along the height".
#[must_use]
pub fn in_words(toward_deg: f64) -> &'static str {
    const WAYS: [&str; 8] = [
        "away from the bevelled corner along the width",
        "away from the bevelled corner",
        "away from the bevelled corner along the height",
        "toward the corner that lies beside the bevelled one along the height",
        "toward the bevelled corner along the width",
        "toward the bevelled corner",
        "toward the bevelled corner along the height",
        "toward the corner that lies beside the bevelled one along the width",
    ];
    WAYS[((toward_deg.rem_euclid(360.0) + 22.5) / 45.0) as usize % 8]
}

#[cfg(test)]
mod tests {
    use super::*;

    const CORNERS: [Corner; 4] = [Corner::TopLeft, Corner::TopRight, Corner::BottomLeft, Corner::BottomRight];

    #[test]
    fn a_slide_that_is_turned_half_round_says_the_same() {
        // Half a turn under the camera turns gradient and mark alike.
        let turned = [Corner::BottomRight, Corner::BottomLeft, Corner::TopRight, Corner::TopLeft];
        for (mark, after) in CORNERS.into_iter().zip(turned) {
            assert_eq!(in_frame(mark, [0.2, -0.3]), in_frame(after, [-0.2, 0.3]));
            assert!((axis_in_frame(mark, 30.0) - axis_in_frame(after, 210.0)).abs() < 1e-9);
        }
    }

    #[test]
    fn away_is_toward_the_opposite_corner() {
        // From each corner the centre of the section lies away along both axes.
        let centre = [[1.0, -1.0], [-1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]];
        for (mark, toward) in CORNERS.into_iter().zip(centre) {
            assert_eq!(in_frame(mark, toward), [1.0, 1.0]);
            let [x, y]: [f64; 2] = toward;
            assert!((axis_in_frame(mark, y.atan2(x).to_degrees()) - 45.0).abs() < 1e-9);
        }
    }

    #[test]
    fn words_follow_the_compass_of_the_frame() {
        assert_eq!(in_words(3.0), "away from the bevelled corner along the width");
        assert_eq!(in_words(40.0), "away from the bevelled corner");
        assert_eq!(in_words(-140.0), "toward the bevelled corner");
        assert_eq!(in_words(359.0), in_words(-1.0));
        assert!(in_words(130.0).ends_with("along the height"));
    }
}

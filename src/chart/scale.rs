//! The interference colours of one lamp as an even scale: what both the report's chart and the wall chart are painted with.

use crate::optics::interference::order_ends;
use crate::optics::observer::WhiteScaling;
use crate::optics::{InterferenceColours, Lamp, quartz};
use crate::units::Nanometres;

/// Largest distance of two colours of a scale, nm: the eye sees no step when a gradient joins them.
const STEP_NM: f64 = 4.0;

/// Interference colours of quartz under one lamp, evenly spaced over retardation, as a camera balanced on the open field
/// records them.
#[derive(Clone, Debug, PartialEq)]
pub struct ColourScale {
    lamp: Lamp,
    up_to: Nanometres,
    codes: Vec<[u8; 3]>,
}

impl ColourScale {
    /// The colours from 0 to `up_to` (at least 1 nm).
    #[must_use]
    pub fn new(lamp: Lamp, up_to: Nanometres) -> Self {
        let colours = InterferenceColours::new(lamp, WhiteScaling::Channels, Nanometres::from_nm(1.0), up_to);
        let steps = (up_to.nm() / STEP_NM).ceil().max(1.0) as usize;
        let codes =
            (0..=steps).map(|i| colours.code(Nanometres::from_nm(up_to.nm() * i as f64 / steps as f64))).collect();
        Self { lamp, up_to, codes }
    }

    /// The lamp.
    #[must_use]
    pub const fn lamp(&self) -> Lamp {
        self.lamp
    }

    /// Retardation at the end of the scale.
    #[must_use]
    pub const fn up_to(&self) -> Nanometres {
        self.up_to
    }

    /// The scale as stops of a gradient: share of its length (0 to 1) and colour (`#rrggbb`).
    #[must_use]
    pub fn stops(&self) -> Vec<(String, String)> {
        self.stops_up_to(self.up_to)
    }

    /// The beginning of the scale, up to `end`, as stops of a gradient.
    #[must_use]
    pub fn stops_up_to(&self, end: Nanometres) -> Vec<(String, String)> {
        let step = self.up_to.nm() / (self.codes.len() - 1) as f64;
        let share = |i: usize| i as f64 * step / end.nm();
        let within = self.codes.iter().enumerate().take_while(|(i, _)| share(*i) <= 1.0 + 1e-9);
        within.map(|(i, [r, g, b])| (format!("{:.5}", share(i)), format!("#{r:02x}{g:02x}{b:02x}"))).collect()
    }

    /// Where its orders end: the retardations of least light under this lamp.
    #[must_use]
    pub fn order_ends(&self) -> Vec<Nanometres> {
        order_ends(self.lamp, quartz::dispersion, self.up_to)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stops_are_the_colours_of_optics() {
        let scale = ColourScale::new(Lamp::A, Nanometres::from_nm(1000.0));
        let optics = InterferenceColours::new(Lamp::A, WhiteScaling::Channels, Nanometres::from_nm(1.0), scale.up_to());
        let stops = scale.stops();
        assert_eq!(stops.len(), 251);
        for (share, colour) in [&stops[0], &stops[68], &stops[141], &stops[250]] {
            let nm = 1000.0 * share.parse::<f64>().unwrap();
            let [r, g, b] = optics.code(Nanometres::from_nm(nm));
            assert_eq!(*colour, format!("#{r:02x}{g:02x}{b:02x}"), "{nm} nm");
        }
        let half = scale.stops_up_to(Nanometres::from_nm(500.0));
        assert_eq!((half.len(), half[125].0.as_str(), &half[125].1), (126, "1.00000", &stops[125].1));
    }

    /// Quartz disperses, so its orders end a few nanometres earlier, stated at 589.3 nm, than without dispersion
    /// (551 nm under D65, 567 nm under A).
    #[test]
    fn quartz_ends_its_first_order_a_little_before_the_undispersed_one() {
        for (lamp, undispersed) in [(Lamp::D65, 551.0), (Lamp::A, 567.0)] {
            let ends = ColourScale::new(lamp, Nanometres::from_nm(1800.0)).order_ends();
            assert_eq!(ends.len(), 3, "{lamp}: {ends:?}");
            let early = undispersed - ends[0].nm();
            assert!((0.0..6.0).contains(&early), "{lamp}: {ends:?}");
        }
    }
}

//! Preferred orientation shows as a misfit of the retardations; random rocks and granites do not trip it.

use thinproof::demo::{Fabric, Rock, Scene, Wedge};
use thinproof::house::House;
use thinproof::pipeline;
use thinproof::thickness::Thickness;

/// What is said of a rendered slide 31 µm thick.
enum Said {
    /// Measured: whether the notes speak of orientation, and the interval around the truth, µm.
    Measured(bool, [f64; 2]),
    /// Not measured, and why.
    Refused(String),
}

fn said(seed: u64, rock: Rock, fabric: Fabric) -> Said {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scene = Scene {
        fabric,
        size_px: [1000, 760],
        grain_um: 110.0,
        wedge: Wedge { centre_um: 31.0, gx_um_per_mm: 0.0, gy_um_per_mm: 0.0 },
        ..Scene::new("LM-0900", seed, rock)
    };
    let (dir, _) = scene.render_to(folder.path()).expect("rendered");
    match pipeline::check(&dir, &House::default(), |_| ()).expect("checked").thickness {
        Thickness::Measured(s) => Said::Measured(
            s.notes.iter().any(|n| n.contains("preferred orientation")),
            s.mean_um.interval.map(|b| b - 31.0),
        ),
        Thickness::NotMeasurable { why, .. } => Said::Refused(why),
    }
}

const TO_THE_EYE: [f64; 3] = [0.0, 0.0, 1.0];
const IN_THE_SECTION: [f64; 3] = [1.0, 0.0, 0.0];

/// Crystals that lie in the section show high colours only: measured, flagged, and the interval holds the truth.
#[test]
fn crystals_lying_in_the_section_are_flagged() {
    for fabric in [Fabric::Cluster(IN_THE_SECTION, 2.0), Fabric::Girdle(TO_THE_EYE, 3.0)] {
        for seed in [71, 72] {
            match said(seed, Rock::Quartzite, fabric) {
                Said::Measured(flagged, interval) => {
                    assert!(flagged, "{fabric:?}, seed {seed}: not flagged");
                    assert!(interval[0] < 0.0 && 0.0 < interval[1], "{fabric:?}, seed {seed}: {interval:?}");
                }
                Said::Refused(why) => panic!("{fabric:?}, seed {seed}: {why}"),
            }
        }
    }
}

/// Crystals that point to the eye show low colours only, as a thin section does: no number is given.
#[test]
fn crystals_pointing_to_the_eye_are_refused() {
    for seed in [71, 72] {
        match said(seed, Rock::Quartzite, Fabric::Cluster(TO_THE_EYE, 2.0)) {
            Said::Measured(_, interval) => panic!("seed {seed}: measured, {interval:?} from the truth"),
            Said::Refused(why) => assert!(why.contains("preferred orientation"), "seed {seed}: {why}"),
        }
    }
}

#[test]
fn random_rocks_are_not_flagged() {
    for (rock, seed) in [(Rock::Quartzite, 81), (Rock::Quartzite, 82), (Rock::Sandstone, 83), (Rock::Granite, 84)] {
        match said(seed, rock, Fabric::Random) {
            Said::Measured(flagged, _) => assert!(!flagged, "{rock:?}, seed {seed}: flagged"),
            Said::Refused(why) => assert!(!why.contains("orientation"), "{rock:?}, seed {seed}: {why}"),
        }
    }
}

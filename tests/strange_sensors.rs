//! Cameras that are no colorimeters: sensors with dyes drawn at random, and a matrix fitted under their lamp or under daylight.

use nalgebra::{Matrix2, Vector2};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use thinproof::measured::quantile;
use thinproof::optics::Lamp;
use thinproof::optics::lamp::wavelengths;
use thinproof::optics::observer::{WhiteScaling, camera_weights};
use thinproof::thickness::{SectionSize, Thickness, Yardstick, measure};

use crate::thickness_grains::Field;

type Weights = Vec<[f64; 3]>;

fn bell(nm: f64, peak: f64, short: f64, long: f64) -> f64 {
    let width = if nm < peak { short } else { long };
    (-0.5 * ((nm - peak) / width).powi(2)).exp()
}

/// Peaks, widths and crosstalk around what is usual (from memory of published sensitivities; no particular camera).
fn dyes(rng: &mut ChaCha8Rng) -> Weights {
    let mut about = |middle: f64, most: f64| middle + 0.7 * most * (2.0 * rng.random::<f64>() - 1.0);
    let peaks = [about(600.0, 9.0), about(533.0, 7.0), about(460.0, 8.0)];
    let widths = [
        [about(27.0, 7.0), about(36.0, 6.0)],
        [about(36.0, 6.0), about(39.0, 6.0)],
        [about(29.0, 5.0), about(30.0, 5.0)],
    ];
    let crosstalk: [f64; 4] = std::array::from_fn(|_| about(0.06, 0.06));
    wavelengths()
        .map(|nm| {
            let own: [f64; 3] = std::array::from_fn(|c| bell(nm, peaks[c], widths[c][0], widths[c][1]));
            [
                own[0] + crosstalk[0] * bell(nm, 538.0, 33.0, 30.0) + 0.5 * crosstalk[1] * bell(nm, 440.0, 22.0, 22.0),
                own[1] + crosstalk[2] * bell(nm, 622.0, 30.0, 30.0),
                own[2] + crosstalk[3] * bell(nm, 523.0, 25.0, 25.0),
            ]
        })
        .collect()
}

/// Sensitivities under a lamp, white balanced channel by channel.
fn balanced(lamp: &[f64], sensor: &Weights) -> Weights {
    let lit: Weights = lamp.iter().zip(sensor).map(|(l, s)| s.map(|v| v * l)).collect();
    let sum: [f64; 3] = std::array::from_fn(|c| lit.iter().map(|v| v[c]).sum());
    lit.iter().map(|v| std::array::from_fn(|c| v[c] / sum[c])).collect()
}

/// Least-squares matrix from balanced to ideal channels over smooth filters; rows sum to one, so that white stays white.
fn matrix(raw: &Weights, ideal: &Weights) -> [[f64; 3]; 3] {
    let mut seen = Vec::new();
    for centre in (400..=720).step_by(20) {
        for (sd, floor) in [(30.0, 0.05), (60.0, 0.05), (110.0, 0.05), (30.0, 0.4), (60.0, 0.4), (110.0, 0.4)] {
            let filter: Vec<f64> =
                wavelengths().map(|nm| floor + (0.95 - floor) * bell(nm, f64::from(centre), sd, sd)).collect();
            let by = |w: &Weights| -> [f64; 3] {
                std::array::from_fn(|c| w.iter().zip(&filter).map(|(w, f)| w[c] * f).sum())
            };
            seen.push((by(raw), by(ideal)));
        }
    }
    std::array::from_fn(|row| {
        let (a, b) = ((row + 1) % 3, (row + 2) % 3);
        let (mut normal, mut right) = (Matrix2::zeros(), Vector2::zeros());
        for (raw, ideal) in &seen {
            let d = Vector2::new(raw[a] - raw[row], raw[b] - raw[row]);
            normal += d * d.transpose();
            right += d * (ideal[row] - raw[row]);
        }
        let p = normal.try_inverse().expect("filters differ") * right;
        let mut out = [0.0; 3];
        (out[row], out[a], out[b]) = (1.0 - p.x - p.y, p.x, p.y);
        out
    })
}

const LAMPS: [&str; 4] = ["tungsten", "daylight", "cool LED", "warm LED"];

/// The case's lamp, its field under a sensor drawn at random, and the answer's error and interval around the truth, µm.
fn one(case: u64) -> (usize, f64, [f64; 2]) {
    let mut rng = ChaCha8Rng::seed_from_u64(300_000 + case);
    let kind = (case % 4) as usize;
    let mut led = |nm: [f64; 2], phosphor: [f64; 2], width: f64, blue: [f64; 2]| -> Vec<f64> {
        let mut between = |[low, high]: [f64; 2]| rng.random_range(low..high);
        let (nm, phosphor, blue) = (between(nm), between(phosphor), between(blue));
        wavelengths().map(|at| blue * bell(at, nm, 10.5, 10.5) + bell(at, phosphor, width, width)).collect()
    };
    let lamp: Vec<f64> = match kind {
        0 => Lamp::Planck(rng.random_range(2500.0..3300.0)).spectrum().to_vec(),
        1 => Lamp::Daylight(rng.random_range(5000.0..7000.0)).spectrum().to_vec(),
        2 => led([446.0, 458.0], [545.0, 565.0], 55.0, [0.8, 1.8]),
        _ => led([448.0, 460.0], [585.0, 605.0], 57.0, [0.3, 0.7]),
    };
    let sensor = dyes(&mut rng);
    let raw = balanced(&lamp, &sensor);
    let under = if rng.random_bool(0.75) { lamp } else { Lamp::D65.spectrum().to_vec() };
    let m = matrix(&balanced(&under, &sensor), &camera_weights(&under, WhiteScaling::Bradford));
    let weights = raw.iter().map(|r| m.map(|row| row[0] * r[0] + row[1] * r[1] + row[2] * r[2])).collect();
    let field = Field {
        seed: 900 + case,
        grains: 80,
        thickness_um: rng.random_range(20.0..60.0),
        weights: Some(weights),
        gains: [rng.random_range(0.985..1.015); 3],
        ..Field::default()
    };
    let Thickness::Measured(s) = measure(&[field.crystals()], SectionSize::default(), &Yardstick::quartz()) else {
        panic!("case {case} is not measurable");
    };
    (kind, s.mean_um.value - field.thickness_um, s.mean_um.interval.map(|b| b - field.thickness_um))
}

fn holds(interval: [f64; 2]) -> bool {
    interval[0] <= 0.0 && 0.0 <= interval[1]
}

#[test]
fn a_sensor_with_its_own_dyes_is_covered_by_the_interval() {
    let found: Vec<_> = (0..16).map(one).collect();
    assert!(found.iter().filter(|f| holds(f.2)).count() >= 13, "{found:?}");
    assert!(found.iter().all(|f| f.1.abs() < 1.5), "{found:?}");
}

/// The table of docs/method.md: `cargo test --test all -- --ignored --nocapture many_sensors`.
#[test]
#[ignore = "a study: prints a table"]
fn many_sensors() {
    let found: Vec<_> = (0..160).map(one).collect();
    println!("| lamp | sensors | median error | 95th percentile | bias | interval holds | half-width |");
    println!("| --- | --- | --- | --- | --- | --- | --- |");
    for kind in 0..5 {
        let of: Vec<_> = found.iter().filter(|f| kind == 4 || f.0 == kind).collect();
        let sorted = |by: &dyn Fn(f64, [f64; 2]) -> f64| {
            let mut v: Vec<f64> = of.iter().map(|f| by(f.1, f.2)).collect();
            v.sort_by(f64::total_cmp);
            v
        };
        let (size, half) = (sorted(&|e, _| e.abs()), sorted(&|_, i| 0.5 * (i[1] - i[0])));
        println!(
            "| {} | {} | {:.2} µm | {:.2} µm | {:+.2} µm | {:.0} % | {:.2} µm |",
            LAMPS.get(kind).unwrap_or(&"all"),
            of.len(),
            quantile(&size, 0.5),
            quantile(&size, 0.95),
            of.iter().map(|f| f.1).sum::<f64>() / of.len() as f64,
            100.0 * of.iter().filter(|f| holds(f.2)).count() as f64 / of.len() as f64,
            quantile(&half, 0.5)
        );
    }
    assert!(found.iter().filter(|f| holds(f.2)).count() >= 130, "intervals that hold the truth");
}

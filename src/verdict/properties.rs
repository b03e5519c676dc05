//! What holds of conformance, of surfaces and of the regrind plan whatever was measured.

use proptest::prelude::*;
use proptest::test_runner::RngSeed;

use crate::slide::record::SlideRecord;
use crate::verdict::conformance::{
    MISSED_UP_TO, largest_conformance, normal_cdf, normal_conformance, poisson_at_most, poisson_rate_interval,
    share_of_draws, sum_conformance,
};
use crate::verdict::fixture::{bent, limits, one_field, record, surface};
use crate::verdict::plan::{CORNERS, after, from_mark, regrind};

/// The same cases in every run; another seed looks elsewhere.
const SEED: u64 = 12;

fn config(cases: u32) -> ProptestConfig {
    ProptestConfig { cases, failure_persistence: None, rng_seed: RngSeed::Fixed(SEED), ..ProptestConfig::default() }
}

/// Simpson's rule over the normal density, as a slow reference.
fn normal_between(low: f64, high: f64) -> f64 {
    const STEPS: usize = 2000;
    let (low, high) = (low.clamp(-9.0, 9.0), high.clamp(-9.0, 9.0));
    let density = |z: f64| (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt();
    let h = (high - low) / STEPS as f64;
    let inner: f64 = (1..STEPS).map(|i| if i % 2 == 1 { 4.0 } else { 2.0 } * density(low + h * i as f64)).sum();
    h / 3.0 * (density(low) + inner + density(high))
}

proptest! {
    #![proptest_config(config(120))]

    #[test]
    fn conformance_is_the_area_under_the_curve_between_the_limits(
        value in 0.0f64..80.0, u in 0.05f64..10.0, low in 0.0f64..60.0, width in 0.0f64..30.0,
    ) {
        let high = low + width;
        let told = normal_conformance(value, u, Some(low), Some(high));
        let slow = normal_between((low - value) / u, (high - value) / u);
        prop_assert!((told - slow).abs() < 1e-6, "{told} {slow}");
        let above = normal_conformance(value, u, Some(high), None);
        let below = normal_conformance(value, u, None, Some(low));
        prop_assert!((told + above + below - 1.0).abs() < 1e-12, "it is below, between or above");
        prop_assert!((normal_cdf(value) + normal_cdf(-value) - 1.0).abs() < 1e-14);
    }

    #[test]
    fn a_wider_limit_is_never_met_less_and_a_finding_more_never_helps(
        findings in prop::collection::vec((1.0f64..400.0, 0.0f64..=1.0), 0..12), extra in (1.0f64..400.0, 0.0f64..=1.0),
        u in 0.0f64..0.3, limit in 0.0f64..900.0, more in 0.0f64..300.0,
    ) {
        let longer: Vec<_> = findings.iter().copied().chain([extra]).collect();
        type Judge = fn(&[(f64, f64)], f64, f64) -> f64;
        for (judge, sampling) in [(sum_conformance as Judge, 0.04), (largest_conformance, 1e-12)] {
            let p = judge(&findings, u, limit);
            prop_assert!((0.0..=1.0).contains(&p));
            prop_assert!(judge(&findings, u, limit + more) >= p);
            prop_assert!(judge(&longer, u, limit) <= p + sampling);
        }
    }

    /// The interval is that whose ends make what was counted, or more extreme, 2.5 % likely.
    #[test]
    fn the_interval_of_a_rate_has_the_tails_it_claims(count in 0usize..60, area in 0.1f64..500.0) {
        let [low, high] = poisson_rate_interval(count, area);
        let at_most = |mean: f64, most: usize| -> f64 {
            let mut term = (-mean).exp();
            let mut sum = term;
            for k in 1..=most {
                term *= mean / k as f64;
                sum += term;
            }
            sum
        };
        prop_assert!((at_most(high * area, count) - 0.025).abs() < 1e-4);
        if count == 0 {
            prop_assert_eq!(low, 0.0);
        } else {
            prop_assert!((1.0 - at_most(low * area, count - 1) - 0.025).abs() < 1e-4);
        }
        prop_assert!(low <= count as f64 / area && count as f64 / area <= high);
        prop_assert!(poisson_at_most(count as f64, 0.0) <= poisson_at_most(count as f64, 1e6));
    }

    /// Said from the mark, a corner is one and the same: of the four no two have one name.
    #[test]
    fn every_corner_has_a_name_of_its_own(mark in 0usize..4, width in 5.0f64..60.0, height in 5.0f64..60.0) {
        let record = SlideRecord { width_mm: Some(width), height_mm: Some(height), ..record() };
        let mut names: Vec<String> = CORNERS.iter().map(|c| from_mark(*c, CORNERS[mark], &record)).collect();
        names.sort_unstable();
        names.dedup();
        prop_assert_eq!(names.len(), 4, "{:?}", names);
    }
}

proptest! {
    #![proptest_config(config(150))]

    /// Taking off what the plan says never makes "too thin" likelier than its bound, adds no rock, and, where the measurement is
    /// good enough to say so, meets the limits.
    #[test]
    fn taking_off_what_the_plan_says_meets_the_limits_and_is_never_too_much(
        level in 24.0f64..80.0, u in 0.05f64..2.0, gradient in prop::array::uniform2(-0.3f64..0.3), even in any::<bool>(),
        shape in 0u8..3, bend in prop::array::uniform2(-4.0f64..4.0), scratched in any::<bool>(),
    ) {
        let (record, limits) = (record(), limits());
        let gradient = if even { [0.0, 0.0] } else { gradient };
        let measured = match shape {
            0 => one_field(level, u),
            1 => bent(level, u, gradient, bend),
            _ => surface(level, u, gradient, 0.01 * u),
        };
        let plan = regrind(&record, &measured, &limits, scratched);
        prop_assume!(plan.is_some());
        let plan = plan.unwrap();
        let too_thin = |left: &[[f64; 2]]| share_of_draws(left, |e| e[0] < limits.thickness_min_um).unwrap_or(1.0);
        let before = too_thin(&measured.extremes_um);
        let mut off = plan.remove_um.at_each_corner.map_or(vec![plan.remove_um.mean], |at| at.to_array().to_vec());
        off.extend(plan.remove_um.at_centre);
        prop_assert!(off.iter().all(|r| *r >= if scratched { 3.0 } else { 0.0 }), "{off:?}");
        prop_assert!(plan.micrometer_target_um.is_none_or(|reads| (reads - (42.0 - plan.remove_um.mean)).abs() < 1e-9));
        // In the mean no place is left under the lower limit: half of the draws would be, and the plan allows no such share.
        let at = measured.at_corners_um.map_or(vec![measured.mean_um.value], |at| at.map(|m| m.value).to_vec());
        for (at, off) in at.iter().zip(&off) {
            prop_assert!(at - off >= limits.thickness_min_um - 0.05, "{off} off {at}");
        }
        if plan.remove_um.at_centre.is_some() {
            return Ok(());
        }
        let left = after(&record, &measured, &plan.remove_um);
        prop_assert!(too_thin(&left) <= before.max(MISSED_UP_TO), "{} after {before}", too_thin(&left));
        if u <= 0.4 && before < 0.01 && !scratched && shape == 2 {
            let fine = |e: &[f64; 2]| e[1] <= limits.thickness_max_um && e[1] - e[0] <= limits.range_um;
            let share = share_of_draws(&left, fine);
            prop_assert!(share.is_some_and(|s| s >= 0.95), "{share:?} {off:?}");
        }
    }
}

//! How encoded samples stand for light: the transfer curve a file states, or the one assumed.

use crate::error::disguises;
use crate::optics::srgb;
use std::io::Cursor;

use moxcms::{ColorProfile, ProfileText, ToneReprCurve};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The encoding the preparator states for all photographs of a slide, `[camera] encoding`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Encoding {
    /// The sRGB curve, IEC 61966-2-1.
    Srgb,
    /// Samples proportional to light.
    Linear,
}

/// A transfer curve, from code value to linear light.
#[derive(Clone, Debug, PartialEq)]
pub enum Curve {
    /// The sRGB curve, IEC 61966-2-1:1999.
    Srgb,
    /// Proportional to light.
    Linear,
    /// light = code to this power.
    Power(f64),
    /// Light at evenly spaced codes, interpolated.
    Table(Vec<f32>),
}

/// A curve and what is to be said about it.
#[derive(Clone, Debug, PartialEq)]
pub struct StatedCurve {
    /// The curve.
    pub curve: Curve,
    /// Sentences for the photograph's warnings.
    pub warnings: Vec<String>,
}

impl From<Encoding> for Curve {
    fn from(encoding: Encoding) -> Self {
        match encoding {
            Encoding::Srgb => Self::Srgb,
            Encoding::Linear => Self::Linear,
        }
    }
}

impl Curve {
    /// Linear light of an encoded value; both 0..=1 of full scale.
    #[must_use]
    pub fn light(&self, encoded: f64) -> f64 {
        match self {
            Self::Srgb => srgb::decode(encoded),
            Self::Linear => encoded,
            Self::Power(gamma) => encoded.powf(*gamma),
            Self::Table(table) => {
                let last = table.len() - 1;
                let at = encoded.clamp(0.0, 1.0) * last as f64;
                let below = at.floor() as usize;
                let above = (below + 1).min(last);
                let part = at - below as f64;
                f64::from(table[below]) * (1.0 - part) + f64::from(table[above]) * part
            }
        }
    }

    /// Encoded value of linear light; both 0..=1 of full scale. The inverse of [`Curve::light`], used to render.
    #[must_use]
    pub fn encoded(&self, light: f64) -> f64 {
        match self {
            Self::Srgb => srgb::encode(light),
            Self::Linear => light,
            Self::Power(gamma) => light.powf(1.0 / gamma),
            Self::Table(_) => {
                let (mut low, mut high) = (0.0, 1.0);
                for _ in 0..40 {
                    let middle = 0.5 * (low + high);
                    if self.light(middle) < light { low = middle } else { high = middle }
                }
                0.5 * (low + high)
            }
        }
    }

    /// Linear light of every code value of a depth: 256 entries for 8 bit, 65536 for 16 bit.
    #[must_use]
    pub fn lookup(&self, entries: usize) -> Vec<f32> {
        let top = (entries - 1) as f64;
        (0..entries).map(|code| self.light(code as f64 / top) as f32).collect()
    }

    /// Largest difference in encoded terms from another curve, as a share of full scale.
    fn distance(&self, other: &Self) -> f64 {
        (0..=64)
            .map(|i| {
                let code = f64::from(i) / 64.0;
                (other.encoded(self.light(code).clamp(0.0, 1.0)) - code).abs()
            })
            .fold(0.0, f64::max)
    }
}

/// The curve of a file: what the preparator states, else what the file states, else sRGB with a warning at 16 bit.
///
/// In a PNG the order is cICP, iCCP, sRGB, gAMA (PNG specification, third edition, "Color spaces"; from memory).
/// A gAMA of 1/2.2 alone is what software writes that means sRGB, so it is taken as the sRGB curve.
#[must_use]
pub fn stated_curve(bytes: &[u8], icc: Option<&[u8]>, sixteen: bool, said: Option<Encoding>) -> StatedCurve {
    if let Some(said) = said {
        return StatedCurve { curve: said.into(), warnings: Vec::new() };
    }
    let png = png_statement(bytes);
    if let Some(Statement::Code(code)) = png {
        return from_code_point(code, sixteen);
    }
    if let Some(profile) = icc {
        return from_profile(profile, sixteen);
    }
    match png {
        Some(Statement::Srgb) => StatedCurve { curve: Curve::Srgb, warnings: Vec::new() },
        Some(Statement::Gamma(gamma)) if (0.1..=5.0).contains(&gamma) => {
            let power = 1.0 / gamma;
            let curve = if (power - 1.0).abs() < 0.005 {
                Curve::Linear
            } else if (power - 2.2).abs() < 0.02 {
                Curve::Srgb
            } else {
                Curve::Power(power)
            };
            StatedCurve { curve, warnings: Vec::new() }
        }
        _ => assumed(sixteen, "the file does not say how its 16-bit samples are encoded"),
    }
}

fn assumed(sixteen: bool, why: &str) -> StatedCurve {
    let warnings = if sixteen {
        vec![format!(
            "{why}: the sRGB curve was assumed; say [camera] encoding = \"linear\" when they are proportional to light"
        )]
    } else {
        Vec::new()
    };
    StatedCurve { curve: Curve::Srgb, warnings }
}

enum Statement {
    Code(u8),
    Srgb,
    Gamma(f64),
}

fn png_statement(bytes: &[u8]) -> Option<Statement> {
    if !bytes.starts_with(b"\x89PNG") {
        return None;
    }
    let reader = png::Decoder::new(Cursor::new(bytes)).read_info().ok()?;
    let info = reader.info();
    if let Some(code) = info.coding_independent_code_points {
        return Some(Statement::Code(code.transfer_function));
    }
    if info.srgb.is_some() {
        return Some(Statement::Srgb);
    }
    info.gama_chunk.map(|gamma| Statement::Gamma(f64::from(gamma.into_value())))
}

/// Transfer characteristics after Rec. ITU-T H.273, table 3: 8 linear, 13 sRGB, 4 gamma 2.2, 5 gamma 2.8.
fn from_code_point(code: u8, sixteen: bool) -> StatedCurve {
    let curve = match code {
        4 => Curve::Power(2.2),
        5 => Curve::Power(2.8),
        8 => Curve::Linear,
        13 => Curve::Srgb,
        _ => {
            let mut stated = assumed(sixteen, "the file's cICP chunk names a curve for moving pictures");
            if stated.warnings.is_empty() {
                stated
                    .warnings
                    .push("the file's cICP chunk names a curve for moving pictures: sRGB was assumed".into());
            }
            return stated;
        }
    };
    StatedCurve { curve, warnings: Vec::new() }
}

fn from_profile(profile: &[u8], sixteen: bool) -> StatedCurve {
    let Ok(parsed) = ColorProfile::new_from_slice(profile) else {
        let mut stated = assumed(sixteen, "the embedded colour profile cannot be read");
        if stated.warnings.is_empty() {
            stated.warnings.push("the embedded colour profile cannot be read: the sRGB curve was assumed".into());
        }
        return stated;
    };
    let name = profile_name(parsed.description.as_ref());
    let tone = parsed.green_trc.as_ref().or(parsed.gray_trc.as_ref());
    let Some(table) = tone.and_then(tabulate) else {
        return StatedCurve {
            curve: Curve::Srgb,
            warnings: vec![format!(
                "the embedded colour profile \"{name}\" gives no tone curve: the sRGB curve was assumed and colours are less sure"
            )],
        };
    };
    let own = Curve::Table(table);
    let mut warnings = Vec::new();
    let primaries_differ = parsed.gray_trc.is_none() && !srgb_primaries(&parsed);
    let curve = if own.distance(&Curve::Srgb) < 0.004 {
        Curve::Srgb
    } else if own.distance(&Curve::Linear) < 0.001 {
        Curve::Linear
    } else {
        own
    };
    if primaries_differ {
        warnings.push(format!(
            "the embedded colour profile \"{name}\" is not sRGB: its tone curve was used, its colours were taken as they are"
        ));
    } else if !matches!(curve, Curve::Srgb | Curve::Linear) {
        warnings.push(format!("the tone curve of the embedded colour profile \"{name}\" was used, not that of sRGB"));
    }
    StatedCurve { curve, warnings }
}

fn tabulate(tone: &ToneReprCurve) -> Option<Vec<f32>> {
    let evaluator = tone.make_linear_evaluator().ok()?;
    let table: Vec<f32> = (0..4096).map(|i| evaluator.evaluate_value(i as f32 / 4095.0).clamp(0.0, 1.0)).collect();
    let rising = table.windows(2).all(|pair| pair[1] >= pair[0]) && table[4095] > 0.5;
    rising.then_some(table)
}

/// sRGB's primaries adapted to D50 as ICC profiles hold them: red X, green Y and blue Z (IEC 61966-2-1, Bradford).
fn srgb_primaries(profile: &ColorProfile) -> bool {
    let near = |value: f64, expected: f64| (value - expected).abs() < 0.01;
    near(profile.red_colorant.x, 0.4361)
        && near(profile.green_colorant.y, 0.7169)
        && near(profile.blue_colorant.z, 0.7139)
}

fn profile_name(text: Option<&ProfileText>) -> String {
    let name = match text {
        Some(ProfileText::PlainString(name)) => name.clone(),
        Some(ProfileText::Localizable(names)) => names.first().map(|n| n.value.clone()).unwrap_or_default(),
        Some(ProfileText::Description(name)) => name.ascii_string.clone(),
        None => String::new(),
    };
    let name = clean_text(&name);
    if name.is_empty() { "unnamed".into() } else { name }
}

/// Text from a file without control characters, trimmed and at most 80 characters long.
#[must_use]
pub fn clean_text(text: &str) -> String {
    clean_line(text, 80)
}

/// Text from a file without control characters and line breaks, trimmed and at most so many characters long.
#[must_use]
pub fn clean_line(text: &str, longest: usize) -> String {
    let kept: String = text.chars().map(|c| if c.is_control() || disguises(c) { ' ' } else { c }).collect();
    let kept = kept.split_whitespace().collect::<Vec<_>>().join(" ");
    kept.chars().take(longest).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_srgb_curve_gives_its_published_values() {
        assert!((Curve::Srgb.light(0.5) - 0.214_041_140).abs() < 1e-8);
        assert!((Curve::Srgb.encoded(0.18) - 0.461_356_129_5).abs() < 1e-9);
        let lookup = Curve::Srgb.lookup(256);
        for (code, light) in lookup.iter().enumerate() {
            let v = code as f64 / 255.0;
            let formula = if v <= 0.040_45 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) };
            assert!((f64::from(*light) - formula).abs() < 1e-7, "code {code}");
        }
        assert_eq!(Curve::Linear.lookup(65536)[65535], 1.0);
    }

    #[test]
    fn every_curve_is_undone_by_its_inverse() {
        let table = Curve::Table((0..1024).map(|i| (i as f32 / 1023.0).powf(1.8)).collect());
        for curve in [Curve::Srgb, Curve::Linear, Curve::Power(2.2), table] {
            for i in 0..=50 {
                let code = f64::from(i) / 50.0;
                assert!((curve.encoded(curve.light(code)) - code).abs() < 1e-3, "{curve:?} at {code}");
            }
        }
    }

    #[test]
    fn profiles_say_their_curve_and_their_name() {
        let srgb = ColorProfile::new_srgb().encode().unwrap();
        let stated = stated_curve(b"", Some(&srgb), true, None);
        assert_eq!((stated.curve, stated.warnings.len()), (Curve::Srgb, 0));
        let wide = ColorProfile::new_adobe_rgb().encode().unwrap();
        let stated = stated_curve(b"", Some(&wide), false, None);
        assert!((stated.curve.light(0.5) - 0.5f64.powf(2.199)).abs() < 1e-3);
        assert!(stated.warnings[0].contains("is not sRGB"), "{:?}", stated.warnings);
        let p3 = ColorProfile::new_display_p3().encode().unwrap();
        let stated = stated_curve(b"", Some(&p3), false, None);
        assert_eq!(stated.curve, Curve::Srgb);
        assert_eq!(stated.warnings.len(), 1);
        let torn = stated_curve(b"", Some(&srgb[..40]), false, None);
        assert!(torn.warnings[0].contains("cannot be read"));
        assert_eq!(stated_curve(b"", Some(&wide), true, Some(Encoding::Linear)).curve, Curve::Linear);
    }

    #[test]
    fn text_from_files_is_cleaned() {
        assert_eq!(clean_text("  a\u{0}b\n\u{202e}c  "), "a b c");
        assert_eq!(clean_text(&"x".repeat(500)).len(), 80);
    }
}

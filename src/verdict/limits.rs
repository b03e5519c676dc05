//! The limits a section is judged by: the defaults, a laboratory's own file over them, and each one's source.

use std::path::Path;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use toml::de::DeTable;
use toml::{Table, Value};

use crate::error::{Error, Result, utf8};
use crate::slide::encoding::clean_text;
use crate::slide::manifest::{decimal_comma, place};
use crate::slide::record::SlideRecord;

/// Target added while polishing is still to come: it takes 3 to 5 µm, and 35 µm is ground for a finished 30 µm
/// (polished thin sections ground to 0.035 mm and finished at 0.030 mm: Canadian Mineralogist 7(3), 375).
pub const POLISH_ALLOWANCE_UM: f64 = 5.0;

/// A limit of the verdict, as named in the report.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Limit {
    /// Thickness everywhere on the section, µm.
    Thickness,
    /// Difference between the thickest and the thinnest place, µm.
    RangeAcross,
    /// Outer diameter of the largest bubble, µm.
    LargestBubble,
    /// Bubbles per mm² looked at.
    BubblesPerMm2,
    /// Area of the bubbles over the area looked at.
    BubbleArea,
    /// Area of the plucked places over the area looked at.
    PluckedArea,
    /// Length of the scratches, mm per mm² looked at.
    Scratches,
}

impl Limit {
    /// Unit of the limit and of what is measured against it, as written in the report.
    #[must_use]
    pub const fn unit(self) -> &'static str {
        match self {
            Self::Thickness | Self::RangeAcross | Self::LargestBubble => "um",
            Self::BubblesPerMm2 => "per_mm2",
            Self::BubbleArea | Self::PluckedArea => "fraction",
            Self::Scratches => "mm_per_mm2",
        }
    }
}

/// One limit as used on a slide, with its source.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LimitUsed {
    /// Which limit.
    pub limit: Limit,
    /// Least and greatest allowed value; null where it is open.
    pub allowed: [Option<f64>; 2],
    /// Unit of `allowed`: um, per_mm2, fraction or mm_per_mm2.
    pub unit: String,
    /// Where the limit is from.
    pub source: String,
}

/// The limits for one slide, resolved for its target thickness.
#[derive(Clone, Debug, PartialEq)]
pub struct Limits {
    /// Target thickness now, µm: the slide's own, and [`POLISH_ALLOWANCE_UM`] more while polishing is to come.
    pub target_um: f64,
    /// Least thickness anywhere, µm.
    pub thickness_min_um: f64,
    /// Greatest thickness anywhere, µm.
    pub thickness_max_um: f64,
    /// Greatest difference across the section, µm.
    pub range_um: f64,
    /// Greatest outer diameter of a bubble, µm.
    pub largest_bubble_um: f64,
    /// Most bubbles per mm².
    pub bubbles_per_mm2: f64,
    /// Largest area fraction of bubbles, 0..=1.
    pub bubble_area_fraction: f64,
    /// Largest area fraction of plucked places, 0..=1.
    pub pluck_area_fraction: f64,
    /// Greatest length of scratches, mm per mm².
    pub scratch_mm_per_mm2: f64,
    /// Each limit with its source, in the order of [`Limit`].
    pub used: Vec<LimitUsed>,
}

/// Thickness allowed around a target, µm.
#[derive(Clone, Debug, PartialEq)]
pub struct ThicknessBand {
    /// Target thickness now.
    pub target_um: f64,
    /// Least thickness.
    pub low_um: f64,
    /// Greatest thickness.
    pub high_um: f64,
    /// Where the limits are from.
    pub source: String,
}

/// A laboratory's limits before they meet a slide: the defaults, each of which its file may override.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LimitSet {
    given: Vec<(&'static str, f64)>,
    origin: Option<String>,
}

/// Keys of the limits file.
const KEYS: [&str; 10] = [
    "thickness_below_target_um",
    "thickness_above_target_um",
    "thickness_min_um",
    "thickness_max_um",
    "range_um",
    "largest_bubble_um",
    "bubbles_per_mm2",
    "bubble_area_fraction",
    "pluck_area_fraction",
    "scratch_mm_per_mm2",
];

/// A longer file is none that a person wrote.
const MAX_BYTES: u64 = 1 << 20;

const HOUSE: &str = "house value: no published limit was found";

impl LimitSet {
    /// Reads a laboratory's limits file. Every key is optional; `source` names where its limits are from.
    ///
    /// # Errors
    /// When the file cannot be read, holds an unknown key, a value that cannot be a limit, or limits that contradict each other.
    pub fn read(path: &Path) -> Result<Self> {
        let failed = |e: std::io::Error| {
            Error::new(path, "the limits file cannot be read", "check the path given with --limits").caused_by(e)
        };
        let found = std::fs::metadata(path).map_err(failed)?;
        if !found.is_file() {
            return Err(Error::new(path, "is not a file", "give the limits file with --limits"));
        }
        if found.len() > MAX_BYTES {
            return Err(Error::new(path, "is longer than a megabyte", "write only limits into it"));
        }
        Self::parse(path, &utf8(path, std::fs::read(path).map_err(failed)?)?)
    }

    /// Parses the text of a limits file; `path` only names it in errors.
    ///
    /// # Errors
    /// As [`LimitSet::read`].
    pub fn parse(path: &Path, text: &str) -> Result<Self> {
        let text = text.trim_start_matches('\u{feff}');
        let invalid = |e: &toml::de::Error| {
            let at = e.span().map(|s| place(text, s.start)).unwrap_or_default();
            Error::new(
                path,
                format!("{at}the limits are not valid TOML: {}", one_line(e.message())),
                e.span().and_then(|s| decimal_comma(text, s.start)).unwrap_or_else(|| "correct this line".into()),
            )
        };
        let table: Table = text.parse().map_err(|e| invalid(&e))?;
        let places = DeTable::parse(text).map_err(|e| invalid(&e))?;
        let at = |key: &str| {
            places
                .get_ref()
                .keys()
                .find(|k| k.get_ref() == key)
                .map(|k| place(text, k.span().start))
                .unwrap_or_default()
        };
        let mut set = Self { given: Vec::new(), origin: None };
        let mut source = None;
        for (key, value) in &table {
            if key == "source" {
                let named = value.as_str().ok_or_else(|| {
                    let what = format!("{}`source` is not a text", at(key));
                    Error::new(path, what, "write where the limits are from, in quotes")
                })?;
                source = Some(one_line(named));
                continue;
            }
            let known = KEYS.into_iter().find(|k| k == key).ok_or_else(|| unknown_key(path, &at(key), key))?;
            set.given.push((known, number(path, &at(key), known, value)?));
        }
        let file = path.file_name().map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into_owned());
        set.origin = Some(source.unwrap_or_else(|| format!("the laboratory's own, {}", one_line(&file))));
        set.check(path)?;
        Ok(set)
    }

    fn get(&self, key: &str) -> Option<f64> {
        self.given.iter().find(|(k, _)| *k == key).map(|(_, v)| *v)
    }

    fn check(&self, path: &Path) -> Result<()> {
        for (end, relative) in
            [("thickness_min_um", "thickness_below_target_um"), ("thickness_max_um", "thickness_above_target_um")]
        {
            if self.get(end).is_some() && self.get(relative).is_some() {
                return Err(Error::new(
                    path,
                    format!("`{end}` and `{relative}` set the same limit twice"),
                    "keep one of them",
                ));
            }
        }
        if let (Some(low), Some(high)) = (self.get("thickness_min_um"), self.get("thickness_max_um"))
            && low >= high
        {
            return Err(Error::new(
                path,
                format!("`thickness_min_um` = {low} is not below `thickness_max_um` = {high}"),
                "no section could meet both; exchange or correct them",
            ));
        }
        if self.get("thickness_below_target_um") == Some(0.0) && self.get("thickness_above_target_um") == Some(0.0) {
            return Err(Error::new(
                path,
                "the thickness band has no width",
                "allow something below or above the target",
            ));
        }
        Ok(())
    }

    /// The thickness allowed for a finished section of `target_um`, with its source: the band of the wall chart and of
    /// every slide. `path` of the slide's folder or of the limits file only names it in errors.
    ///
    /// # Errors
    /// When the target lies outside the laboratory's thickness limits, or the band reaches down to nothing.
    pub fn thickness_for(&self, target_um: f64, polish_to_come: bool, path: &Path) -> Result<ThicknessBand> {
        // A laboratory's absolute limits are those of the finished section, as the target is.
        let to_come = if polish_to_come { POLISH_ALLOWANCE_UM } else { 0.0 };
        let target = target_um + to_come;
        let absolute = |key: &str| self.get(key).map(|limit| limit + to_come);
        let low = absolute("thickness_min_um")
            .unwrap_or_else(|| target - self.get("thickness_below_target_um").unwrap_or(5.0));
        let high = absolute("thickness_max_um")
            .unwrap_or_else(|| target + self.get("thickness_above_target_um").unwrap_or(5.0));
        if low <= 0.0 {
            return Err(Error::new(
                path,
                format!("a target of {target} um leaves a lower thickness limit of {low} um"),
                "raise target_um in slide.toml or set thickness_below_target_um in the limits file",
            ));
        }
        if !(low..=high).contains(&target) {
            return Err(Error::new(
                path,
                format!("the target of {target} um lies outside the thickness limits of {low} to {high} um"),
                "correct target_um in slide.toml or the thickness limits in the limits file",
            ));
        }
        let source = self.source(&KEYS[..4], default_thickness_source(target_um, polish_to_come));
        Ok(ThicknessBand { target_um: target, low_um: low, high_um: high, source })
    }

    /// Where a limit is from: the file when it gives one of `keys`.
    fn source(&self, keys: &[&str], default: String) -> String {
        match &self.origin {
            Some(origin) if keys.iter().any(|k| self.get(k).is_some()) => origin.clone(),
            _ => default,
        }
    }

    /// The limits for one slide. `path` of the slide's folder or of the limits file only names it in errors.
    ///
    /// # Errors
    /// When the slide's target lies outside the laboratory's thickness limits, or the band reaches down to nothing.
    pub fn for_slide(&self, record: &SlideRecord, path: &Path) -> Result<Limits> {
        self.for_target(record.target_um, record.polish_to_come, path)
    }

    /// The limits for a finished section of `target_um`; see [`LimitSet::for_slide`].
    ///
    /// # Errors
    /// As [`LimitSet::for_slide`].
    pub fn for_target(&self, target_um: f64, polish_to_come: bool, path: &Path) -> Result<Limits> {
        let ThicknessBand { target_um: target, low_um: low, high_um: high, source: thickness_source } =
            self.thickness_for(target_um, polish_to_come, path)?;
        let value = |key: &str, default: f64| self.get(key).unwrap_or(default);
        let house = |key: &str| self.source(&[key], HOUSE.into());
        let (range, largest, per_mm2) =
            (value("range_um", 6.0), value("largest_bubble_um", 200.0), value("bubbles_per_mm2", 2.0));
        let (bubble_area, pluck_area, scratch) = (
            value("bubble_area_fraction", 0.005),
            value("pluck_area_fraction", 0.01),
            value("scratch_mm_per_mm2", 1.0),
        );
        let used = |limit: Limit, allowed: [Option<f64>; 2], source: String| LimitUsed {
            limit,
            allowed,
            unit: limit.unit().into(),
            source,
        };
        Ok(Limits {
            target_um: target,
            thickness_min_um: low,
            thickness_max_um: high,
            range_um: range,
            largest_bubble_um: largest,
            bubbles_per_mm2: per_mm2,
            bubble_area_fraction: bubble_area,
            pluck_area_fraction: pluck_area,
            scratch_mm_per_mm2: scratch,
            used: vec![
                used(Limit::Thickness, [Some(low), Some(high)], thickness_source),
                used(Limit::RangeAcross, [None, Some(range)], house("range_um")),
                used(Limit::LargestBubble, [None, Some(largest)], house("largest_bubble_um")),
                used(Limit::BubblesPerMm2, [None, Some(per_mm2)], house("bubbles_per_mm2")),
                used(Limit::BubbleArea, [None, Some(bubble_area)], house("bubble_area_fraction")),
                used(Limit::PluckedArea, [None, Some(pluck_area)], house("pluck_area_fraction")),
                used(Limit::Scratches, [None, Some(scratch)], house("scratch_mm_per_mm2")),
            ],
        })
    }
}

/// EN 12407:2019 states 0.030 mm only: other targets borrow its tolerance, and say so.
fn default_thickness_source(target_um: f64, polish_to_come: bool) -> String {
    if polish_to_come {
        return "house value: the target while polishing is still to come (it takes 3 to 5 um), with the tolerance of \
                EN 12407:2019 around it"
            .into();
    }
    if (target_um - 30.0).abs() < 1e-9 {
        return "EN 12407:2019, 0.030 +/- 0.005 mm".into();
    }
    "house value: the laboratory's target with the tolerance that EN 12407:2019 states for 30 um".into()
}

fn number(path: &Path, at: &str, key: &str, value: &Value) -> Result<f64> {
    let number = match value {
        Value::Float(x) => *x,
        Value::Integer(i) => *i as f64,
        _ => return Err(Error::new(path, format!("{at}`{key}` is not a number"), "write a number without quotes")),
    };
    let most = if key.ends_with("_fraction") { 1.0 } else { f64::MAX };
    if !number.is_finite() || number < 0.0 {
        return Err(Error::new(path, format!("{at}`{key}` = {number} cannot be a limit"), "write a number from 0 up"));
    }
    if number > most {
        let remedy = format!("write it as a fraction from 0 to 1, so 1 % is 0.01 (did you mean {})", number / 100.0);
        return Err(Error::new(path, format!("{at}`{key}` = {number} is more than the whole area"), remedy));
    }
    Ok(number)
}

fn unknown_key(path: &Path, at: &str, key: &str) -> Error {
    let nearest = KEYS.into_iter().chain(["source"]).min_by_key(|k| strsim::damerau_levenshtein(k, key));
    let remedy = match nearest {
        Some(near) if strsim::damerau_levenshtein(near, key) <= near.len().max(key.len()) / 2 => {
            format!("did you mean `{near}`?")
        }
        _ => format!("the keys are {}", KEYS.join(", ")),
    };
    Error::new(path, format!("{at}`{}` is no limit", clean_text(key)), remedy)
}

/// Text from outside on one line, without control characters.
fn one_line(text: &str) -> String {
    text.split(|c: char| c.is_control()).map(str::trim).filter(|s| !s.is_empty()).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
pub(crate) mod tests;

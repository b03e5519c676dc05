//! What an archive needs of a `report.json`, read as text from outside: a report of a later version may hold more.

use std::fs;
use std::path::Path;

use serde::Deserialize;

use crate::error::{Error, Result};
use crate::slide::photograph::Role;

/// A longer report is none that this program wrote, bytes.
const MAX_BYTES: u64 = 256 << 20;

/// The fields that the archive acts on.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct Recorded {
    pub(super) schema_version: String,
    pub(super) slide: Slide,
    #[serde(default)]
    pub(super) archive: Option<Kept>,
    #[serde(default)]
    pub(super) read_from: Option<ReadFrom>,
    pub(super) verdict: Verdict,
    pub(super) thickness: Thickness,
    pub(super) photographs: Vec<Photograph>,
    pub(super) tool: Tool,
    pub(super) made_at: String,
}

#[derive(Clone, Debug, Deserialize)]
pub(super) struct Slide {
    pub(super) id: String,
    #[serde(default)]
    pub(super) width_mm: Option<f64>,
    #[serde(default)]
    pub(super) height_mm: Option<f64>,
}

/// `[archive]`.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Kept {
    pub(super) sample: Option<String>,
    pub(super) igsn: Option<String>,
    pub(super) collection: Option<String>,
    pub(super) preparator: Option<String>,
    pub(super) licence: Option<String>,
    pub(super) note: Option<String>,
}

#[derive(Clone, Debug, Deserialize)]
pub(super) struct ReadFrom {
    pub(super) folder: String,
    #[serde(default)]
    pub(super) slide_toml_sha256: Option<String>,
}

#[derive(Clone, Debug, Deserialize)]
pub(super) struct Verdict {
    pub(super) outcome: String,
    pub(super) why: String,
}

#[derive(Clone, Debug, Deserialize)]
pub(super) struct Thickness {
    #[serde(default)]
    pub(super) mean_um: Option<f64>,
    #[serde(default)]
    pub(super) ci95_um: Option<[f64; 2]>,
}

#[derive(Clone, Debug, Deserialize)]
pub(super) struct Photograph {
    pub(super) file: String,
    pub(super) field: String,
    pub(super) role: Role,
    #[serde(default)]
    pub(super) angle_deg: Option<f64>,
    pub(super) sha256: String,
    #[serde(default)]
    pub(super) exposure: Option<Exposure>,
    #[serde(default)]
    pub(super) camera: Option<String>,
    #[serde(default)]
    pub(super) taken_at: Option<String>,
}

#[derive(Clone, Copy, Debug, Deserialize)]
pub(super) struct Exposure {
    pub(super) time_s: f64,
    #[serde(default)]
    pub(super) f_number: Option<f64>,
    #[serde(default)]
    pub(super) iso: Option<f64>,
}

#[derive(Clone, Debug, Deserialize)]
pub(super) struct Tool {
    pub(super) name: String,
    pub(super) version: String,
}

impl Recorded {
    /// Reads `report.json` of a report folder; its text with it.
    pub(super) fn read(path: &Path) -> Result<(Self, String)> {
        let failed = |e: std::io::Error| {
            Error::new(path, "cannot be read", "give a folder that thinproof check wrote a report into").caused_by(e)
        };
        let length = fs::metadata(path).map_err(failed)?.len();
        if length > MAX_BYTES {
            return Err(Error::new(path, "is far longer than any report", "check the slide again"));
        }
        let text = fs::read_to_string(path).map_err(failed)?;
        let recorded: Self = serde_json::from_str(&text).map_err(|e| {
            Error::new(path, "is no report of thinproof", "check the slide again and archive that report").caused_by(e)
        })?;
        if recorded.schema_version.split('.').next() != Some("1") {
            return Err(Error::new(
                path,
                "is a report of another form than 1, which this version does not know",
                "archive it with the version that wrote it",
            ));
        }
        if recorded.photographs.is_empty() {
            return Err(Error::new(path, "names no photographs", "check the slide again and archive that report"));
        }
        Ok((recorded, text))
    }
}

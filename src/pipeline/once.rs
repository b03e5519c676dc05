//! One photograph is one witness, and a place that two fields show is counted once.

use std::collections::HashMap;
use std::path::PathBuf;

use rayon::prelude::*;

use crate::error::{Error, Result};
use crate::pipeline::FieldFindings;
use crate::slide::folder::no_rock;
use crate::slide::photograph::{PhotographRecord, Role};
use crate::thickness::FieldCrystals;
use crate::timings::stage;

/// Files that were read, by their checksum: one photograph is one witness.
#[derive(Default)]
pub(super) struct Witnesses {
    /// What shows the section.
    rock: HashMap<String, PhotographRecord>,
    /// What is given as bare glass.
    glass: HashMap<String, (PathBuf, PhotographRecord)>,
}

impl Witnesses {
    /// Takes the photographs of a field; a blank may serve several.
    pub(super) fn claim<'a>(
        &mut self,
        photographs: impl Iterator<Item = (&'a PathBuf, &'a PhotographRecord)>,
    ) -> Result<()> {
        for (path, record) in photographs {
            if record.role == Role::Blank {
                no_rock(path, record, self.rock.get(&record.sha256).into_iter())?;
                self.glass.entry(record.sha256.clone()).or_insert_with(|| (path.clone(), record.clone()));
                continue;
            }
            if let Some((blank_path, blank)) = self.glass.get(&record.sha256) {
                no_rock(blank_path, blank, std::iter::once(record))?;
            }
            if let Some(other) = self.rock.insert(record.sha256.clone(), record.clone()) {
                let other = format!("{} of field {}", other.file, other.field);
                return Err(Error::new(
                    path,
                    format!("is the same photograph as {other}"),
                    "put the right photograph in its place, or take the second field out",
                ));
            }
        }
        Ok(())
    }
}

/// Pairs of fields that are looked at for the same place; more fields than 40 are compared with their next ones only.
const MOST_PAIRS: usize = 800;

/// Takes the crystals that an earlier field shows too out of the later one; returns warnings.
pub(super) fn counted_once(fields: &[FieldFindings], crystals: &mut [FieldCrystals]) -> Vec<String> {
    stage!("overlap");
    let pairs: Vec<(usize, usize)> = (1..fields.len())
        .flat_map(|apart| (apart..fields.len()).map(move |later| (later - apart, later)))
        .take(MOST_PAIRS)
        .collect();
    let mut found: Vec<_> = pairs
        .into_par_iter()
        .filter_map(|(a, b)| Some((b, a, fields[a].overview.overlap(&fields[b].overview)?)))
        .collect();
    found.sort_by_key(|(later, earlier, _)| (*later, *earlier));
    let mut warnings = Vec::new();
    for (later, earlier, overlap) in found {
        let size = fields[earlier].size_px;
        crystals[later].crystals.crystals.retain(|c| !overlap.shows([c.x_px, c.y_px], size));
        warnings.push(format!(
            "fields {} and {} show the same place over {:.0} % of their area: its crystals were counted once",
            fields[earlier].name,
            fields[later].name,
            100.0 * overlap.share
        ));
    }
    warnings
}

//! A rendered slide on disk: photographs, `slide.toml`, `truth.json`.

use std::fs;
use std::path::{Path, PathBuf};

use image::codecs::jpeg::JpegEncoder;
use image::codecs::png::PngEncoder;
use image::{ExtendedColorType, ImageEncoder};
use toml::{Table, Value};

use super::field::RenderedPhotograph;
use super::scene::{Balance, Exif, Fabric, Scene};
use super::truth::{FieldTruth, ThicknessTruth, Totals, Truth};
use crate::error::{Error, Result};
use crate::slide::record::Finish;

impl Scene {
    /// Renders the slide into `parent/<id>/`, one field at a time, and returns that folder and the truth.
    ///
    /// # Errors
    /// When the folder or a file in it cannot be written.
    pub fn render_to(&self, parent: &Path) -> Result<(PathBuf, Truth)> {
        let dir = parent.join(&self.id);
        fs::create_dir_all(&dir).map_err(|e| unwritable(&dir, e))?;
        let mut fields = Vec::new();
        for index in 0..self.views.len() {
            let field = self.render_field(index);
            for photograph in std::iter::once(&field.plane).chain(&field.crossed) {
                self.write_photograph(&dir, photograph)?;
            }
            fields.push(field.truth);
        }
        if self.record {
            write(&dir.join("slide.toml"), self.slide_toml().as_bytes())?;
        }
        let truth = self.truth(fields);
        let text = serde_json::to_string_pretty(&truth).map_err(|e| unwritable(&dir, e))?;
        write(&dir.join("truth.json"), text.as_bytes())?;
        Ok((dir, truth))
    }

    fn write_photograph(&self, dir: &Path, photograph: &RenderedPhotograph) -> Result<()> {
        let path = dir.join(&photograph.file);
        let mut bytes = Vec::new();
        let block = photograph.exif.as_ref().map(super::exif::block);
        let (w, h) = (photograph.width as u32, photograph.height as u32);
        let done = match self.camera.jpeg_quality {
            Some(quality) => {
                let mut encoder = JpegEncoder::new_with_quality(&mut bytes, quality);
                block.map_or(Ok(()), |b| encoder.set_exif_metadata(b)).map_err(|e| unwritable(&path, e))?;
                encoder.write_image(&photograph.rgb, w, h, ExtendedColorType::Rgb8)
            }
            None => {
                let mut encoder = PngEncoder::new(&mut bytes);
                block.map_or(Ok(()), |b| encoder.set_exif_metadata(b)).map_err(|e| unwritable(&path, e))?;
                encoder.write_image(&photograph.rgb, w, h, ExtendedColorType::Rgb8)
            }
        };
        done.map_err(|e| unwritable(&path, e))?;
        write(&path, &bytes)
    }

    /// `slide.toml` of this scene.
    fn slide_toml(&self) -> String {
        let named = |v: &dyn erased::Named| Value::String(v.name());
        let mut slide = Table::new();
        slide.insert("id".into(), Value::String(self.id.clone()));
        slide.insert("width_mm".into(), Value::Float(self.section_mm[0]));
        slide.insert("height_mm".into(), Value::Float(self.section_mm[1]));
        slide.insert("mark_corner".into(), named(&self.mark_corner));
        slide.insert("impregnation".into(), named(&self.impregnation));
        slide.insert("turned".into(), named(&self.turned));
        slide.insert("finish".into(), named(&self.finish));
        slide.insert("polish_to_come".into(), Value::Boolean(self.polish_to_come));
        slide.insert("target_um".into(), Value::Float(self.target_um));
        if let Some(left) = self.offcut_left {
            slide.insert("offcut_left".into(), Value::Boolean(left));
        }
        if let Some(reading) = self.micrometer_um {
            slide.insert("micrometer_um".into(), Value::Float(reading));
        }
        if let Some(place) = self.sequence {
            slide.insert("sequence".into(), Value::Integer(place.into()));
        }
        let mut scale = Table::new();
        scale.insert("um_per_px".into(), Value::Float(self.um_per_px));
        let fields = self.views.iter().map(|view| {
            let mut field = Table::new();
            field.insert("name".into(), Value::String(view.name.clone()));
            field.insert("centre_mm".into(), Value::Array(view.centre_mm.map(Value::Float).to_vec()));
            field.insert("plane".into(), Value::String(format!("{}_ppl.{}", view.name, self.extension())));
            let crossed = self.angles_deg.iter().map(|angle| {
                let mut photograph = Table::new();
                let file = format!("{}_xpl_{angle:05.1}.{}", view.name, self.extension());
                photograph.insert("file".into(), Value::String(file));
                photograph.insert("angle_deg".into(), Value::Float(*angle));
                Value::Table(photograph)
            });
            field.insert("crossed".into(), Value::Array(crossed.collect()));
            Value::Table(field)
        });
        let mut whole = Table::new();
        whole.insert("slide".into(), Value::Table(slide));
        whole.insert("scale".into(), Value::Table(scale));
        whole.insert("field".into(), Value::Array(fields.collect()));
        whole.to_string()
    }

    /// The truth of the slide from that of its fields, with the outcomes that follow from the default limits.
    #[must_use]
    pub fn truth(&self, fields: Vec<FieldTruth>) -> Truth {
        let [w, h] = self.section_mm;
        let corners = [[0.0, h], [w, h], [0.0, 0.0], [w, 0.0]].map(|at| self.thickness_um(at));
        let grains: usize = fields.iter().map(|f| f.quartz_grains).sum();
        let measurable = grains >= 15
            && self.overexposure < 1.8
            && !self.angles_deg.is_empty()
            && !matches!(self.fabric, Fabric::Cluster(_, s) if s > 2.0)
            && (self.camera.exif != Exif::None || !matches!(self.camera.balance, Balance::Automatic(_)));
        let thickness = ThicknessTruth {
            mean_um: self.wedge.centre_um,
            gradient_um_per_mm: [self.wedge.gx_um_per_mm, self.wedge.gy_um_per_mm],
            at_corners_um: corners,
            measurable,
        };
        let totals = self.totals(&fields);
        let outcomes = self.outcomes(&thickness, &totals);
        let scene = serde_json::to_value(self).unwrap_or(serde_json::Value::Null);
        Truth { id: self.id.clone(), thickness, fields, totals, outcomes, scene }
    }

    fn totals(&self, fields: &[FieldTruth]) -> Totals {
        let px_mm = self.um_per_px / 1000.0;
        let area_mm2 = fields.len() as f64 * (self.size_px[0] * self.size_px[1]) as f64 * px_mm * px_mm;
        let bubbles: Vec<f64> = fields.iter().flat_map(|f| &f.bubbles).map(|b| b.diameter_um).collect();
        let plucked: f64 = fields.iter().flat_map(|f| &f.plucks).map(|p| p.area_um2).sum();
        let scratched: f64 =
            fields.iter().flat_map(|f| &f.scratches).map(|s| (s.x1_px - s.x0_px).hypot(s.y1_px - s.y0_px)).sum();
        Totals {
            area_mm2,
            bubbles_per_mm2: bubbles.len() as f64 / area_mm2,
            largest_bubble_um: bubbles.iter().copied().reduce(f64::max),
            bubble_area_fraction: bubbles.iter().map(|d| 0.25 * std::f64::consts::PI * d * d).sum::<f64>()
                / 1e6
                / area_mm2,
            pluck_area_fraction: plucked / 1e6 / area_mm2,
            scratch_mm_per_mm2: scratched * px_mm / area_mm2,
        }
    }

    /// Outcomes that the default limits allow, plain arithmetic on the truth; the first is the expected one.
    #[must_use]
    pub fn outcomes(&self, thickness: &ThicknessTruth, totals: &Totals) -> Vec<String> {
        let target = if self.polish_to_come { self.target_um + 5.0 } else { self.target_um };
        let (low, high) = (target - 5.0, target + 5.0);
        let [thinnest, thickest] = self.extremes_um();
        let judged_across = self.views.len() >= 3;
        let known = thickness.measurable;
        let bubbly = totals.bubbles_per_mm2 > 2.0
            || totals.bubble_area_fraction > 0.005
            || totals.largest_bubble_um.is_some_and(|d| d > 200.0);
        let plucked = totals.pluck_area_fraction > 0.01;
        let scratched = totals.scratch_mm_per_mm2 > 1.0;
        let in_cement = bubbly && self.finish == Finish::Covered;
        let wedge = judged_across && thickest - thinnest > 6.0;
        let thin = known && thinnest < low;
        let thick = known && (thickest > high || wedge);
        let expected = if thin || plucked || (bubbly && !in_cement) {
            "remake"
        } else if thick || (scratched && known && thinnest - crate::verdict::plan::SCRATCH_DEPTH_UM >= low) {
            "regrind"
        } else if scratched && known && self.finish == Finish::Polished {
            "remake"
        } else if in_cement {
            "recover"
        } else if !known {
            "undetermined"
        } else {
            "pass"
        };
        let mut outcomes = vec![expected.to_owned()];
        // Within a micrometre of a limit an honest interval may leave it open, and so whether scratches leave enough rock.
        let spare = thinnest - crate::verdict::plan::SCRATCH_DEPTH_UM - low;
        let for_scratches_alone = scratched && !(thin || plucked || bubbly || thick);
        let close = [thinnest - low, high - thickest].iter().any(|m| m.abs() < 1.0)
            || (judged_across && (thickest - thinnest - 6.0).abs() < 1.5)
            || (for_scratches_alone && spare.abs() < 1.0);
        if known && close && !(plucked || (bubbly && !in_cement)) {
            outcomes.push("undetermined".into());
        }
        outcomes
    }
}

mod erased {
    use serde::Serialize;

    /// The kebab-case name that serde gives a unit variant.
    pub(super) trait Named {
        fn name(&self) -> String;
    }

    impl<T: Serialize> Named for T {
        fn name(&self) -> String {
            serde_json::to_value(self).ok().and_then(|v| v.as_str().map(str::to_owned)).unwrap_or_default()
        }
    }
}

fn write(path: &Path, bytes: &[u8]) -> Result<()> {
    fs::write(path, bytes).map_err(|e| unwritable(path, e))
}

fn unwritable(path: &Path, cause: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Error {
    Error::new(path, "a rendered slide cannot be written there", "give a folder that can be written to")
        .caused_by(cause)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::{Rock, Wedge};

    fn expected(centre_um: f64, gx_um_per_mm: f64, finish: Finish, bubbles: usize) -> String {
        let scene = Scene {
            wedge: Wedge { centre_um, gx_um_per_mm, gy_um_per_mm: 0.0 },
            finish,
            ..Scene::new("LM-T", 1, Rock::Quartzite).five_fields()
        };
        let bubble = super::super::truth::TrueBubble {
            field: "A".into(),
            x_px: 10.0,
            y_px: 10.0,
            diameter_px: 60.0,
            diameter_um: 96.0,
            flat: false,
            cut: false,
        };
        let field = FieldTruth {
            name: "A".into(),
            centre_mm: [20.0, 12.0],
            thickness_um: centre_um,
            quartz_grains: 40,
            quartz_fraction: 0.9,
            relative_exposure: vec![],
            shifts_px: vec![],
            bubbles: vec![bubble; bubbles],
            plucks: vec![],
            scratches: vec![],
            fibres: vec![],
            lifted: vec![],
            pores: vec![],
        };
        scene.truth(vec![field]).outcomes[0].clone()
    }

    #[test]
    fn outcomes_follow_the_default_limits() {
        use Finish::{Covered, Uncovered};
        assert_eq!(expected(30.0, 0.0, Uncovered, 0), "pass");
        assert_eq!(expected(36.5, 0.0, Uncovered, 0), "regrind");
        assert_eq!(expected(23.5, 0.0, Uncovered, 0), "remake");
        // 40 mm at 0.2 µm per mm: 8 µm across, 27 to 35.
        assert_eq!(expected(31.0, 0.2, Uncovered, 0), "regrind");
        assert_eq!(expected(30.0, 0.3, Uncovered, 0), "remake", "24 µm at one end");
        // 6 bubbles on 2.76 mm².
        assert_eq!(expected(30.0, 0.0, Uncovered, 6), "remake");
        assert_eq!(expected(30.0, 0.0, Covered, 6), "recover");
        assert_eq!(expected(30.0, 0.0, Uncovered, 5), "remake", "1.8 per mm², but 1.3 % of the area");
        assert_eq!(expected(30.0, 0.0, Uncovered, 1), "pass");
    }
}

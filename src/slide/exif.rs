//! What a photograph's file says of itself: exposure, white balance, camera, time, and its resolution when believable.

use std::io::Cursor;

use exif::{Exif, Field, In, Tag, Value};

use crate::slide::encoding::clean_text;
use crate::slide::photograph::{Exposure, WhiteBalance};
use crate::slide::tiff_head::{head, is_big_tiff};

/// What the file says of how it was taken. What is missing or absurd is `None`, with a sentence in `warnings`.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FileFacts {
    /// Exposure, when at least the shutter time is known.
    pub exposure: Option<Exposure>,
    /// White balance.
    pub white_balance: Option<WhiteBalance>,
    /// Make and model.
    pub camera: Option<String>,
    /// Time of exposure as stated.
    pub taken_at: Option<String>,
    /// Scale that the file states and that a microscope or slide scanner can have.
    pub resolution: Option<FileResolution>,
    /// Sentences for the photograph's warnings.
    pub warnings: Vec<String>,
}

/// A believable scale from a file.
#[derive(Clone, Debug, PartialEq)]
pub struct FileResolution {
    /// Micrometres per pixel.
    pub um_per_px: f64,
    /// Where in the file it is from.
    pub source: String,
}

/// Scales that are believed, µm per pixel.
///
/// A light microscope or a film scanner records 0.05 to 12 µm per pixel; 72, 96, 300, 600 or 1200 per inch (353 to 21 µm)
/// are printing resolutions that software writes without having measured anything. House value.
pub const BELIEVABLE_UM_PER_PX: std::ops::RangeInclusive<f64> = 0.05..=12.0;

/// Reads what a file says of itself; never fails, since a photograph is usable without.
#[must_use]
pub fn file_facts(bytes: &[u8]) -> FileFacts {
    let mut facts = FileFacts::default();
    match read_exif(bytes) {
        Ok(Some(exif)) => from_exif(&exif, &mut facts),
        Ok(None) => {}
        Err(why) => facts.warnings.push(format!("its EXIF data cannot be read ({why}): exposure is not known")),
    }
    if facts.resolution.is_none() {
        facts.resolution = png_resolution(bytes).or_else(|| jfif_resolution(bytes));
    }
    facts
}

fn read_exif(bytes: &[u8]) -> Result<Option<Exif>, String> {
    if is_big_tiff(bytes) {
        return head(Cursor::new(bytes)).map_or(Ok(None), |small| read_exif(&small));
    }
    let mut reader = exif::Reader::new();
    reader.continue_on_error(true);
    match reader.read_from_container(&mut Cursor::new(bytes)) {
        Ok(exif) => Ok(Some(exif)),
        Err(exif::Error::NotFound(_) | exif::Error::BlankValue(_)) => Ok(None),
        Err(error) => error.distill_partial_result(|_| ()).map(Some).map_err(|e| clean_text(&e.to_string())),
    }
}

fn from_exif(exif: &Exif, facts: &mut FileFacts) {
    let time = rational(exif, Tag::ExposureTime, "exposure time", 1e-7..=3600.0, facts);
    // 0/1 is how a camera says that it knows no lens: no warning for that.
    let f_number = match field(exif, Tag::FNumber).and_then(ratio) {
        Some(0.0) => None,
        _ => rational(exif, Tag::FNumber, "f-number", 0.5..=256.0, facts),
    };
    let iso = match field(exif, Tag::PhotographicSensitivity).and_then(|f| f.value.get_uint(0)) {
        None | Some(0) => None,
        // 65535 says "more than this tag can hold".
        Some(iso) if iso >= 65535 => {
            facts.warnings.push(format!("its EXIF sensitivity of ISO {iso} is not believed and taken as not known"));
            None
        }
        Some(iso) => Some(f64::from(iso)),
    };
    facts.exposure = time.map(|time_s| Exposure { time_s, f_number, iso });
    facts.white_balance = match field(exif, Tag::WhiteBalance).and_then(|f| f.value.get_uint(0)) {
        Some(0) => Some(WhiteBalance::Auto),
        Some(1) => Some(WhiteBalance::Manual),
        _ => None,
    };
    if field(exif, Tag::ColorSpace).and_then(|f| f.value.get_uint(0)).is_some_and(|space| space != 1 && space != 65535)
    {
        facts.warnings.push("its EXIF colour space is not sRGB: colours are less sure".into());
    }
    let camera: Vec<String> = [Tag::Make, Tag::Model].into_iter().filter_map(|tag| text(exif, tag)).collect();
    facts.camera = (!camera.is_empty()).then(|| clean_text(&camera.join(" ")));
    facts.taken_at = text(exif, Tag::DateTimeOriginal).filter(|t| t.chars().any(|c| c.is_ascii_digit() && c != '0'));
    facts.resolution = description_scale(exif).or_else(|| exif_resolution(exif));
}

fn field(exif: &Exif, tag: Tag) -> Option<&Field> {
    exif.get_field(tag, In::PRIMARY)
}

/// First value as a number; `None` for a zero denominator.
fn ratio(field: &Field) -> Option<f64> {
    match &field.value {
        Value::Rational(values) => values.first().filter(|r| r.denom != 0).map(exif::Rational::to_f64),
        Value::SRational(values) => values.first().filter(|r| r.denom != 0).map(exif::SRational::to_f64),
        Value::Float(values) => values.first().map(|&v| f64::from(v)),
        Value::Double(values) => values.first().copied(),
        other => other.get_uint(0).map(f64::from),
    }
}

fn rational(
    exif: &Exif,
    tag: Tag,
    name: &str,
    believed: std::ops::RangeInclusive<f64>,
    facts: &mut FileFacts,
) -> Option<f64> {
    let value = ratio(field(exif, tag)?);
    match value {
        Some(value) if believed.contains(&value) => Some(value),
        _ => {
            facts.warnings.push(format!("its EXIF {name} makes no sense and was taken as not known"));
            None
        }
    }
}

fn text(exif: &Exif, tag: Tag) -> Option<String> {
    let Value::Ascii(parts) = &field(exif, tag)?.value else { return None };
    let cleaned = clean_text(&String::from_utf8_lossy(parts.first()?));
    (!cleaned.is_empty()).then_some(cleaned)
}

fn believed(um_per_px: f64, source: &str) -> Option<FileResolution> {
    BELIEVABLE_UM_PER_PX.contains(&um_per_px).then(|| FileResolution { um_per_px, source: source.into() })
}

fn exif_resolution(exif: &Exif) -> Option<FileResolution> {
    let per_unit_um = match field(exif, Tag::ResolutionUnit).and_then(|f| f.value.get_uint(0)) {
        Some(2) => 25_400.0,
        Some(3) => 10_000.0,
        _ => return None,
    };
    let x = field(exif, Tag::XResolution).and_then(ratio)?;
    let y = field(exif, Tag::YResolution).and_then(ratio).unwrap_or(x);
    square(x, y)?;
    believed(per_unit_um / x, "the file's XResolution")
}

/// Pixels that are not square to 1 % are no measured scale that one number could hold.
fn square(x: f64, y: f64) -> Option<()> {
    (x.is_finite() && x > 0.0 && y > 0.0 && (x / y - 1.0).abs() < 0.01).then_some(())
}

/// Scale in a TIFF's image description: OME-XML PhysicalSizeX with its unit (µm when not given), or "unit=" with the
/// resolution in pixels per that unit.
fn description_scale(exif: &Exif) -> Option<FileResolution> {
    let Value::Ascii(parts) = &field(exif, Tag::ImageDescription)?.value else { return None };
    let description = String::from_utf8_lossy(parts.first()?).into_owned();
    if let Some(pixels) = description.split("<Pixels").nth(1).or_else(|| description.split(":Pixels").nth(1)) {
        let pixels = pixels.split('>').next().unwrap_or_default();
        let size = |axis: &str| {
            let value: f64 = attribute(pixels, &format!("PhysicalSize{axis}"))?.parse().ok()?;
            let unit = attribute(pixels, &format!("PhysicalSize{axis}Unit")).unwrap_or_else(|| "µm".into());
            Some(value * unit_um(&unit)?)
        };
        let x = size("X")?;
        square(x, size("Y").unwrap_or(x))?;
        return believed(x, "the file's OME PhysicalSizeX");
    }
    let unit = description.lines().find_map(|line| line.trim().strip_prefix("unit="))?;
    let x = field(exif, Tag::XResolution).and_then(ratio)?;
    let y = field(exif, Tag::YResolution).and_then(ratio).unwrap_or(x);
    square(x, y)?;
    believed(unit_um(unit)? / x, "the file's image description")
}

fn attribute(element: &str, name: &str) -> Option<String> {
    let at = element.find(&format!("{name}="))? + name.len() + 1;
    let quote = element[at..].chars().next().filter(|q| matches!(q, '"' | '\''))?;
    element[at + 1..].split(quote).next().map(str::to_owned)
}

fn unit_um(unit: &str) -> Option<f64> {
    match unit.trim() {
        "µm" | "μm" | "um" | "micron" | "microns" | "\\u00B5m" | "&#181;m" | "&#xB5;m" => Some(1.0),
        "nm" => Some(1e-3),
        "mm" => Some(1e3),
        "cm" => Some(1e4),
        "m" => Some(1e6),
        "inch" => Some(25_400.0),
        _ => None,
    }
}

fn png_resolution(bytes: &[u8]) -> Option<FileResolution> {
    if !bytes.starts_with(b"\x89PNG") {
        return None;
    }
    let reader = png::Decoder::new(Cursor::new(bytes)).read_info().ok()?;
    let dims = reader.info().pixel_dims.filter(|d| matches!(d.unit, png::Unit::Meter))?;
    square(f64::from(dims.xppu), f64::from(dims.yppu))?;
    believed(1e6 / f64::from(dims.xppu), "the file's pHYs chunk")
}

fn jfif_resolution(bytes: &[u8]) -> Option<FileResolution> {
    let head = bytes.get(..18).filter(|h| h.starts_with(&[0xff, 0xd8, 0xff, 0xe0]) && &h[6..11] == b"JFIF\0")?;
    let per_unit_um = match head[13] {
        1 => 25_400.0,
        2 => 10_000.0,
        _ => return None,
    };
    let (x, y) = (u16::from_be_bytes([head[14], head[15]]), u16::from_be_bytes([head[16], head[17]]));
    square(f64::from(x), f64::from(y))?;
    believed(per_unit_um / f64::from(x), "the file's JFIF density")
}

/// Exposure of one photograph over that of another: time · ISO / f-number².
///
/// A quantity that neither file gives is the same in both (one camera, one microscope) and cancels; `None` when only one
/// of the two gives it.
#[must_use]
pub fn relative_exposure(of: Option<&Exposure>, over: Option<&Exposure>) -> Option<f64> {
    let (of, over) = (of?, over?);
    let both = |a: Option<f64>, b: Option<f64>| match (a, b) {
        (Some(a), Some(b)) => Some(a / b),
        (None, None) => Some(1.0),
        _ => None,
    };
    let ratio = of.time_s / over.time_s * both(of.iso, over.iso)? / both(of.f_number, over.f_number)?.powi(2);
    (ratio.is_finite() && ratio > 0.0).then_some(ratio)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::slide::decode::testing::{jpeg, jpeg_with};
    use exif::Rational;

    fn shot(tag: Tag, value: Value) -> Field {
        Field { tag, ifd_num: In::PRIMARY, value }
    }

    fn rational_field(tag: Tag, num: u32, denom: u32) -> Field {
        shot(tag, Value::Rational(vec![Rational { num, denom }]))
    }

    #[test]
    fn exposure_and_the_rest_come_back_as_written() {
        let fields = [
            rational_field(Tag::ExposureTime, 1, 40),
            rational_field(Tag::FNumber, 28, 10),
            shot(Tag::PhotographicSensitivity, Value::Short(vec![200])),
            shot(Tag::WhiteBalance, Value::Short(vec![1])),
            shot(Tag::ColorSpace, Value::Short(vec![1])),
            shot(Tag::Make, Value::Ascii(vec![b"Acme\x07 ".to_vec()])),
            shot(Tag::Model, Value::Ascii(vec![b"Stage eye".to_vec()])),
            shot(Tag::DateTimeOriginal, Value::Ascii(vec![b"2031:02:03 04:05:06".to_vec()])),
        ];
        let facts = file_facts(&jpeg_with(&fields));
        assert_eq!(facts.exposure, Some(Exposure { time_s: 0.025, f_number: Some(2.8), iso: Some(200.0) }));
        assert_eq!(facts.white_balance, Some(WhiteBalance::Manual));
        assert_eq!(facts.camera.as_deref(), Some("Acme Stage eye"));
        assert_eq!(facts.taken_at.as_deref(), Some("2031:02:03 04:05:06"));
        assert_eq!(facts.warnings, Vec::<String>::new());
        assert_eq!(file_facts(&jpeg(4, 4)), FileFacts::default());
    }

    #[test]
    fn absurd_values_are_not_known() {
        let facts = file_facts(&jpeg_with(&[rational_field(Tag::ExposureTime, 1, 0)]));
        assert_eq!(facts.exposure, None);
        assert!(facts.warnings[0].contains("exposure time"));
        let facts = file_facts(&jpeg_with(&[
            rational_field(Tag::ExposureTime, 1, 10),
            rational_field(Tag::FNumber, 0, 1),
            shot(Tag::PhotographicSensitivity, Value::Short(vec![65535])),
        ]));
        assert_eq!(facts.exposure, Some(Exposure { time_s: 0.1, f_number: None, iso: None }));
        assert_eq!(facts.warnings.len(), 1);
    }

    #[test]
    fn only_a_microscope_scale_is_believed() {
        let scaled = |per_unit: u32, unit: u16| {
            file_facts(&jpeg_with(&[
                rational_field(Tag::XResolution, per_unit, 1),
                rational_field(Tag::YResolution, per_unit, 1),
                shot(Tag::ResolutionUnit, Value::Short(vec![unit])),
            ]))
            .resolution
            .map(|r| r.um_per_px)
        };
        for dpi in [72, 96, 180, 300, 600, 1200] {
            assert_eq!(scaled(dpi, 2), None, "{dpi} per inch is no measurement");
        }
        assert!((scaled(6250, 3).unwrap() - 1.6).abs() < 1e-12);
        assert!((scaled(4800, 2).unwrap() - 25_400.0 / 4800.0).abs() < 1e-12);
        assert_eq!(scaled(6250, 1), None);
        let ome = r#"<OME><Image><Pixels SizeX="4" PhysicalSizeX="0.0016" PhysicalSizeXUnit="mm"/></Image></OME>"#;
        let facts = file_facts(&jpeg_with(&[shot(Tag::ImageDescription, Value::Ascii(vec![ome.as_bytes().to_vec()]))]));
        assert!((facts.resolution.unwrap().um_per_px - 1.6).abs() < 1e-12);
    }

    #[test]
    fn exposures_are_compared_by_what_both_files_give() {
        let e = |time_s, f_number, iso| Exposure { time_s, f_number, iso };
        let plane = e(0.01, Some(4.0), Some(100.0));
        let crossed = e(0.2, Some(4.0), Some(200.0));
        assert!((relative_exposure(Some(&crossed), Some(&plane)).unwrap() - 40.0).abs() < 1e-12);
        let wider = e(0.01, Some(2.0), Some(100.0));
        assert!((relative_exposure(Some(&wider), Some(&plane)).unwrap() - 4.0).abs() < 1e-12);
        assert_eq!(relative_exposure(Some(&e(0.2, None, Some(100.0))), Some(&plane)), None);
        assert!((relative_exposure(Some(&e(0.2, None, None)), Some(&e(0.1, None, None))).unwrap() - 2.0).abs() < 1e-12);
        assert_eq!(relative_exposure(None, Some(&plane)), None);
    }
}

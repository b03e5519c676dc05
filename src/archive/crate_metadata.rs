//! `ro-crate-metadata.json`: RO-Crate 1.2, the newest recommendation whose context comes with a registry package and against
//! which a crate can so be validated without a network.
//!
//! It says of the bag's files what they are, and how they came to be: a section was cut from a sample and photographed by a
//! camera, and this tool made a report on those photographs. What is not known is left out.

use jiff::Timestamp;
use serde_json::{Value, json};

use crate::archive::parcel::Parcel;
use crate::archive::recorded::{Exposure, Kept, Photograph, Recorded};
use crate::report::terminal::plain;
use crate::slide::manifest;
use crate::slide::photograph::Role;

/// The recommendation followed.
const SPECIFICATION: &str = "https://w3id.org/ro/crate/1.2";
/// Its terms.
const CONTEXT: &str = "https://w3id.org/ro/crate/1.2/context";
/// What a physical sample is called by the vocabulary of the World Wide Web Consortium for observations and samples.
const SAMPLE: &str = "http://www.w3.org/ns/sosa/Sample";
/// Licences that are named by their SPDX identifier: those for pictures and texts.
const SPDX: [&str; 9] = [
    "CC0-1.0",
    "CC-BY-4.0",
    "CC-BY-SA-4.0",
    "CC-BY-NC-4.0",
    "CC-BY-NC-SA-4.0",
    "CC-BY-ND-4.0",
    "CC-BY-NC-ND-4.0",
    "CC-BY-3.0",
    "CC-BY-SA-3.0",
];

/// The metadata of a parcel whose files have these lengths in bytes.
pub(super) fn of(parcel: &Parcel, bytes: &[u64], now: Timestamp) -> String {
    let recorded = &parcel.recorded;
    let kept = recorded.archive.clone().unwrap_or_default();
    let cameras = cameras(recorded);
    let mut graph = vec![descriptor(), root(parcel, &kept, &cameras, now), licence(&kept)];
    graph.extend(section_and_sample(recorded, &kept));
    for (item, length) in parcel.files.iter().zip(bytes) {
        graph.push(file(recorded, &item.to, *length));
    }
    graph.extend(photography(recorded, &cameras));
    graph.push(tool(recorded));
    graph.push(check(parcel));
    let mut text = serde_json::to_string_pretty(&json!({ "@context": CONTEXT, "@graph": graph }))
        .expect("a value without foreign keys serialises");
    text.push('\n');
    text
}

fn descriptor() -> Value {
    json!({
        "@id": "ro-crate-metadata.json",
        "@type": "CreativeWork",
        "name": "Description of this bag's payload",
        "conformsTo": reference(SPECIFICATION),
        "about": reference("./"),
    })
}

fn root(parcel: &Parcel, kept: &Kept, cameras: &[String], now: Timestamp) -> Value {
    let id = plain(&parcel.recorded.slide.id);
    let parts: Vec<Value> = parcel.files.iter().map(|f| reference(&place(&f.to))).collect();
    let actions = (1..=cameras.len()).map(|n| format!("#photography-{n}")).chain(["#check".into()]);
    let mentions: Vec<Value> = actions.map(|a| reference(&a)).collect();
    let mut root = json!({
        "@id": "./",
        "@type": "Dataset",
        "name": format!("Thin section {id}: photographs and report"),
        "description": format!(
            "The untouched photographs of thin section {id}, what was said of the slide, and the report on them. Verdict: {}. {}",
            plain(&parcel.recorded.verdict.outcome),
            plain(&parcel.recorded.verdict.why)
        ),
        "identifier": reference("#slide-id"),
        "datePublished": now.strftime("%Y-%m-%dT%H:%M:%SZ").to_string(),
        "license": reference(&licence_id(kept)),
        "hasPart": parts,
        "about": reference("#section"),
        "mentions": mentions,
    });
    if kept.collection.is_some() {
        root["publisher"] = reference("#collection");
    }
    root
}

fn section_and_sample(recorded: &Recorded, kept: &Kept) -> Vec<Value> {
    let id = plain(&recorded.slide.id);
    let mut words = vec!["Petrographic thin section".to_owned()];
    if let (Some(width), Some(height)) = (recorded.slide.width_mm, recorded.slide.height_mm) {
        words.push(format!("{width} x {height} mm of rock"));
    }
    if let (Some(mean), Some([low, high])) = (recorded.thickness.mean_um, recorded.thickness.ci95_um) {
        words.push(format!("{mean:.1} um thick (95 %: {low:.1} to {high:.1})"));
    }
    let mut description = words.join(", ");
    if let Some(note) = &kept.note {
        description = format!("{description}. {}", plain(note));
    }
    let mut section = json!({
        "@id": "#section",
        "@type": ["CreativeWork", "ArchiveComponent"],
        "additionalType": SAMPLE,
        "name": format!("Thin section {id}"),
        "identifier": reference("#slide-id"),
        "description": description,
    });
    let mut entities = vec![json!({
        "@id": "#slide-id",
        "@type": "PropertyValue",
        "name": "Number of the slide",
        "propertyID": "slide id",
        "value": id,
    })];
    if let Some(preparator) = &kept.preparator {
        section["creator"] = reference("#preparator");
        entities.push(json!({ "@id": "#preparator", "@type": "Person", "name": plain(preparator) }));
    }
    if let Some(collection) = &kept.collection {
        section["holdingArchive"] = reference("#collection");
        entities.push(json!({ "@id": "#collection", "@type": "Organization", "name": plain(collection) }));
    }
    if kept.sample.is_some() || kept.igsn.is_some() {
        section["isBasedOn"] = reference("#sample");
        let igsn = kept.igsn.as_deref().map(plain);
        let name = kept.sample.as_deref().map(plain).or_else(|| igsn.clone());
        let mut sample = json!({
            "@id": "#sample",
            "@type": "CreativeWork",
            "additionalType": SAMPLE,
            "name": name,
            "description": "The sample that the section was cut from",
        });
        if let Some(igsn) = igsn {
            sample["identifier"] = reference("#igsn");
            entities.push(json!({
                "@id": "#igsn",
                "@type": "PropertyValue",
                "name": "International Generic Sample Number",
                "propertyID": "IGSN",
                "value": igsn,
            }));
        }
        entities.push(sample);
    }
    entities.insert(0, section);
    entities
}

fn licence_id(kept: &Kept) -> String {
    let Some(text) = kept.licence.as_deref().map(plain) else { return "#licence".into() };
    let web =
        (text.starts_with("https://") || text.starts_with("http://")) && text.bytes().all(|b| b.is_ascii_graphic());
    match SPDX.iter().find(|id| id.eq_ignore_ascii_case(&text)) {
        Some(id) => format!("https://spdx.org/licenses/{id}"),
        None if web && !text.contains(['<', '>', '"', '{', '}', '|', '\\', '^', '`']) => text,
        None => "#licence".into(),
    }
}

fn licence(kept: &Kept) -> Value {
    let (name, description) = match kept.licence.as_deref().map(plain) {
        Some(text) => (text, "Licence of the photographs and the report, as the preparator wrote it"),
        None => (
            "No licence was stated".to_owned(),
            "Nobody has said how the photographs and the report may be used: ask whoever keeps the section",
        ),
    };
    json!({ "@id": licence_id(kept), "@type": "CreativeWork", "name": name, "description": description })
}

fn file(recorded: &Recorded, to: &str, length: u64) -> Value {
    let name = to.rsplit('/').next().unwrap_or(to);
    let photograph = to.strip_prefix("data/slide/").and_then(|f| recorded.photographs.iter().find(|p| p.file == f));
    let mut entity = json!({
        "@id": place(to),
        "@type": "File",
        "name": plain(name),
        "encodingFormat": media_type(name),
        "contentSize": length.to_string(),
    });
    match (photograph, name) {
        (Some(p), _) => {
            entity["@type"] = json!(["File", "ImageObject"]);
            entity["description"] = json!(described(p));
            entity["sha256"] = json!(plain(&p.sha256));
            if let Some(exposure) = p.exposure {
                entity["exifData"] = json!(exposure_words(exposure));
            }
            if let Some(day) = p.taken_at.as_deref().and_then(iso_time) {
                entity["dateCreated"] = json!(day);
            }
        }
        (None, manifest::FILE) => entity["description"] = json!("What the preparator said of the slide"),
        (None, "report.json") => {
            entity["description"] = json!("The report as a record, in form 1 of report.schema.json of the tool");
            entity["dateCreated"] = json!(plain(&recorded.made_at));
        }
        (None, _) => {
            entity["description"] = json!("The report as a page");
            entity["dateCreated"] = json!(plain(&recorded.made_at));
        }
    }
    entity
}

fn described(p: &Photograph) -> String {
    let field = plain(&p.field);
    match (p.role, p.angle_deg) {
        (Role::Plane, _) => format!("Field {field} in plane light"),
        (Role::Crossed, Some(angle)) => format!("Field {field} between crossed polars at {angle} degrees"),
        (Role::Crossed, None) => format!("Field {field} between crossed polars"),
        (Role::Blank, _) => "Bare glass beside the section".into(),
    }
}

fn exposure_words(e: Exposure) -> String {
    let mut words = vec![format!("{} s", e.time_s)];
    words.extend(e.f_number.map(|f| format!("f/{f}")));
    words.extend(e.iso.map(|iso| format!("ISO {iso}")));
    words.join(", ")
}

/// The cameras that EXIF names, each once, in the order of the photographs.
fn cameras(recorded: &Recorded) -> Vec<String> {
    let mut found: Vec<String> = Vec::new();
    for camera in recorded.photographs.iter().filter_map(|p| p.camera.as_deref()) {
        let camera = plain(camera);
        if !found.contains(&camera) {
            found.push(camera);
        }
    }
    found
}

/// Each camera and what it took.
fn photography(recorded: &Recorded, cameras: &[String]) -> Vec<Value> {
    let mut entities = Vec::new();
    for (n, camera) in cameras.iter().enumerate().map(|(i, c)| (i + 1, c)) {
        let taken: Vec<&Photograph> =
            recorded.photographs.iter().filter(|p| p.camera.as_deref().map(plain).as_ref() == Some(camera)).collect();
        let mut times: Vec<String> = taken.iter().filter_map(|p| iso_time(p.taken_at.as_deref()?)).collect();
        times.sort();
        let mut results: Vec<Value> =
            taken.iter().map(|p| reference(&place(&format!("data/slide/{}", p.file)))).collect();
        results.dedup();
        let mut action = json!({
            "@id": format!("#photography-{n}"),
            "@type": "CreateAction",
            "name": "Photographing the section",
            "description": "Camera and times as the photographs' EXIF gives them; it says nothing of a time zone",
            "instrument": reference(&format!("#camera-{n}")),
            "object": reference("#section"),
            "result": results,
        });
        if let (Some(first), Some(last)) = (times.first(), times.last()) {
            action["startTime"] = json!(first);
            action["endTime"] = json!(last);
        }
        entities.push(json!({
            "@id": format!("#camera-{n}"),
            "@type": "IndividualProduct",
            "name": camera,
            "description": "Camera as named in EXIF",
        }));
        entities.push(action);
    }
    entities
}

/// The program that made the report. Without a public address its method is told by the report's own page.
fn tool(recorded: &Recorded) -> Value {
    let address = env!("CARGO_PKG_REPOSITORY");
    json!({
        "@id": "#tool",
        "@type": "SoftwareApplication",
        "name": plain(&recorded.tool.name),
        "version": plain(&recorded.tool.version),
        "url": if address.is_empty() { reference("report/report.html") } else { json!(address) },
        "description": "Measures thickness and defects of petrographic thin sections from photographs and gives a verdict; \
    the report's page tells method and sources",
    })
}

/// The report as the outcome of this tool's work on the photographs.
fn check(parcel: &Parcel) -> Value {
    let recorded = &parcel.recorded;
    let of = |report: bool| -> Vec<Value> {
        let chosen = parcel.files.iter().filter(|f| f.to.starts_with("data/report/") == report);
        chosen.map(|f| reference(&place(&f.to))).collect()
    };
    json!({
        "@id": "#check",
        "@type": "CreateAction",
        "name": format!("Check of thin section {}", plain(&recorded.slide.id)),
        "description": format!(
            "{} {} measured the section from its photographs and judged it: {}",
            plain(&recorded.tool.name),
            plain(&recorded.tool.version),
            plain(&recorded.verdict.outcome)
        ),
        "instrument": reference("#tool"),
        "object": of(false),
        "result": of(true),
        "endTime": plain(&recorded.made_at),
    })
}

fn reference(id: &str) -> Value {
    json!({ "@id": id })
}

/// A place in the bag as an address from the crate's root, `data/`.
fn place(to: &str) -> String {
    let path = to.strip_prefix("data/").unwrap_or(to);
    path.bytes()
        .map(|b| match b {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' | b'/' => char::from(b).to_string(),
            other => format!("%{other:02X}"),
        })
        .collect()
}

fn media_type(name: &str) -> &'static str {
    match name.rsplit('.').next().unwrap_or("").to_ascii_lowercase().as_str() {
        "jpg" | "jpeg" => "image/jpeg",
        "png" => "image/png",
        "tif" | "tiff" => "image/tiff",
        "json" => "application/json",
        "html" => "text/html",
        "toml" => "application/toml",
        _ => "application/octet-stream",
    }
}

/// EXIF's "2026:03:02 09:41:07" as ISO 8601, which then names no time zone; None for anything else.
fn iso_time(exif: &str) -> Option<String> {
    let read = jiff::civil::DateTime::strptime("%Y:%m:%d %H:%M:%S", exif.trim()).ok()?;
    Some(read.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_and_times_are_written_as_the_standards_say() {
        assert_eq!(place("data/slide/A 50%/é#?.jpg"), "slide/A%2050%25/%C3%A9%23%3F.jpg");
        assert_eq!(iso_time("2026:03:02 09:41:07").as_deref(), Some("2026-03-02T09:41:07"));
        for absurd in ["", "0000:00:00 00:00:00", "2026-03-02", "2026:13:02 09:41:07", "yesterday"] {
            assert_eq!(iso_time(absurd), None, "{absurd}");
        }
    }

    #[test]
    fn a_licence_is_an_address_only_when_it_is_a_known_one() {
        let id = |text: Option<&str>| licence_id(&Kept { licence: text.map(str::to_owned), ..Kept::default() });
        assert_eq!(id(Some("cc-by-4.0")), "https://spdx.org/licenses/CC-BY-4.0");
        assert_eq!(id(Some("https://example.org/terms")), "https://example.org/terms");
        for words in [None, Some("ask the curator"), Some("javascript:alert(1)"), Some("https://a b")] {
            assert_eq!(id(words), "#licence", "{words:?}");
        }
    }
}

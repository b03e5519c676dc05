//! Bags from hand-made report folders: what goes in, what is refused, and what verification finds.

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use tempfile::TempDir;

use super::{Difference, archive, bags_in, verify};
use crate::report::beside::bound;
use crate::slide::decode::sha256;

/// A slide with two photographs and its report, as `thinproof check` leaves them.
struct Case {
    dir: TempDir,
    report: Value,
}

impl Case {
    fn new(id: &str) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let slide = dir.path().join("slides/S 1");
        fs::create_dir_all(slide.join("fields")).unwrap();
        let files = [("A_ppl.jpg", "plane"), ("fields/A 50%.jpg", "crossed")];
        for (file, role) in files {
            fs::write(slide.join(file), role).unwrap();
        }
        fs::write(slide.join("slide.toml"), "[slide]\n").unwrap();
        let photograph = |file: &str, role: &str, angle: Value| {
            json!({
                "file": file, "field": "A", "role": role, "angle_deg": angle, "width_px": 4, "height_px": 3,
                "sha256": sha256(role.as_bytes()), "exposure": {"time_s": 0.004, "f_number": null, "iso": 200.0},
                "camera": "Vantor M5", "taken_at": "2026:03:02 09:41:07", "warnings": [],
            })
        };
        let report = json!({
            "schema_version": "1.7",
            "slide": {"id": id, "width_mm": 40.0, "height_mm": 24.0, "of a later version": 3},
            "archive": {"sample": "block 14", "igsn": "XXTEST0142", "preparator": "P. Reparator", "licence": "CC-BY-4.0",
                        "collection": "Larkmoor", "note": null},
            "read_from": {"folder": "../../slides/S 1", "slide_toml_sha256": sha256(b"[slide]\n")},
            "verdict": {"outcome": "pass", "why": "Every limit is met."},
            "thickness": {"mean_um": 30.1, "ci95_um": [29.8, 30.4]},
            "photographs": [photograph("A_ppl.jpg", "plane", Value::Null), photograph("fields/A 50%.jpg", "crossed", json!(0.0))],
            "tool": {"name": "thinproof", "version": "0.1.0"},
            "made_at": "2026-03-02T10:12:00Z",
        });
        let case = Self { dir, report };
        case.write();
        case
    }

    fn path(&self, inner: &str) -> PathBuf {
        self.dir.path().join(inner)
    }

    fn slide(&self, file: &str) -> PathBuf {
        self.path("slides/S 1").join(file)
    }

    fn write(&self) {
        fs::create_dir_all(self.path("reports/S 1")).unwrap();
        let (json, made_at) = (self.report.to_string(), self.report["made_at"].as_str().unwrap_or_default());
        fs::write(self.path("reports/S 1/report.json"), &json).unwrap();
        let page = format!("<p>30.1 µm</p><footer>{made_at}</footer></html>\n");
        fs::write(self.path("reports/S 1/report.html"), bound(&page, &json, made_at)).unwrap();
    }

    fn archive(&self) -> crate::Result<PathBuf> {
        archive(&self.path("reports/S 1"), None, &self.path("bags"))
    }

    fn refused(&self) -> String {
        let message = self.archive().unwrap_err().to_string();
        let left: Vec<_> = fs::read_dir(self.path("bags")).into_iter().flatten().flatten().map(|e| e.path()).collect();
        assert!(left.is_empty(), "a refusal leaves nothing behind: {left:?}");
        assert!(!message.contains('\n'), "{message:?}");
        message
    }
}

fn found(bag: &Path) -> Vec<Difference> {
    verify(bag).unwrap().differences
}

#[test]
fn a_bag_holds_the_files_untouched_and_is_whole() {
    let case = Case::new("S 1");
    let bag = case.archive().unwrap();
    assert_eq!(bag, case.path("bags/S 1"));
    assert_eq!(fs::read(bag.join("data/slide/fields/A 50%.jpg")).unwrap(), b"crossed");
    assert_eq!(fs::read_to_string(bag.join("data/slide/slide.toml")).unwrap(), "[slide]\n");
    assert!(bag.join("data/report/report.html").is_file());
    let condition = verify(&bag).unwrap();
    assert!(condition.whole(), "{condition:?}");
    // Six files of payload with the crate's description, three tag files under the tag manifest.
    assert_eq!(condition.files, 6 + 3);
    let info = fs::read_to_string(bag.join("bag-info.txt")).unwrap();
    assert!(info.contains("External-Identifier: S 1\n") && info.contains("IGSN: XXTEST0142\n"), "{info}");
    let payload: u64 = walk(&bag.join("data")).iter().map(|f| f.metadata().unwrap().len()).sum();
    assert!(info.contains(&format!("Payload-Oxum: {payload}.6\n")), "{info}");
    assert!(fs::read_to_string(bag.join("manifest-sha512.txt")).unwrap().contains("  data/slide/fields/A 50%25.jpg\n"));
    assert_eq!(fs::read_dir(case.path("bags")).unwrap().count(), 1, "no draft is left behind");
    assert_eq!(bags_in(&case.path("bags")).unwrap(), std::slice::from_ref(&bag));
    let again = case.archive().unwrap_err().to_string();
    assert!(again.contains("is there already, and a bag is never written over"), "{again}");
    assert!(verify(&bag).unwrap().whole());
}

#[test]
fn bags_are_found_in_folders_of_folders_and_what_is_left_of_one_is_told() {
    let case = Case::new("S 1");
    archive(&case.path("reports/S 1"), None, &case.path("bags/2026/a")).unwrap();
    archive(&case.path("reports/S 1"), None, &case.path("bags/b")).unwrap();
    fs::create_dir_all(case.path("bags/S 2/data/slide")).unwrap();
    let found: Vec<_> = bags_in(&case.path("bags")).unwrap();
    assert_eq!(found, ["bags/2026/a/S 1", "bags/S 2", "bags/b/S 1"].map(|bag| case.path(bag)));
    let whole: Vec<_> = found.iter().map(|bag| verify(bag).unwrap().whole()).collect();
    assert_eq!(whole, [true, false, true]);
    assert!(bags_in(&case.path("slides")).unwrap_err().to_string().contains("holds no bag"));
}

fn walk(dir: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(dir).unwrap().map(|e| e.unwrap().path());
    entries.flat_map(|p| if p.is_dir() { walk(&p) } else { vec![p] }).collect()
}

#[test]
fn the_crate_tells_section_sample_camera_and_the_check() {
    let case = Case::new("S 1");
    let bag = case.archive().unwrap();
    let text = fs::read_to_string(bag.join("data/ro-crate-metadata.json")).unwrap();
    let graph: Value = serde_json::from_str(&text).unwrap();
    let entity = |id: &str| {
        graph["@graph"].as_array().unwrap().iter().find(|e| e["@id"] == id).unwrap_or_else(|| panic!("{id} in {text}"))
    };
    assert_eq!(entity("ro-crate-metadata.json")["conformsTo"]["@id"], "https://w3id.org/ro/crate/1.2");
    assert_eq!(entity("./")["license"]["@id"], "https://spdx.org/licenses/CC-BY-4.0");
    assert_eq!(entity("#section")["creator"]["@id"], "#preparator");
    assert_eq!(entity("#section")["isBasedOn"]["@id"], "#sample");
    assert_eq!(entity("#igsn")["value"], "XXTEST0142");
    assert_eq!(entity("#camera-1")["name"], "Vantor M5");
    assert_eq!(entity("#photography-1")["result"].as_array().unwrap().len(), 2);
    assert_eq!(entity("#check")["instrument"]["@id"], "#tool");
    assert_eq!(entity("#check")["object"].as_array().unwrap().len(), 3, "two photographs and slide.toml");
    assert_eq!(entity("#check")["result"][0]["@id"], "report/report.html");
    let photograph = entity("slide/fields/A%2050%25.jpg");
    assert_eq!(photograph["dateCreated"], "2026-03-02T09:41:07");
    // What is referred to by a name of the crate's own is described in it.
    let mut references = Vec::new();
    collect(&graph["@graph"], &mut references);
    for id in references.iter().filter(|id| !id.starts_with("http")) {
        entity(id);
    }
}

fn collect(value: &Value, into: &mut Vec<String>) {
    match value {
        Value::Object(map) => {
            into.extend(map.get("@id").and_then(Value::as_str).map(str::to_owned));
            map.values().for_each(|v| collect(v, into));
        }
        Value::Array(list) => list.iter().for_each(|v| collect(v, into)),
        _ => {}
    }
}

#[test]
fn photographs_that_are_not_those_of_the_report_are_refused() {
    let case = Case::new("S 1");
    fs::write(case.slide("A_ppl.jpg"), "retouched").unwrap();
    assert!(case.refused().contains("A_ppl.jpg: is no longer the file that"));
    fs::remove_file(case.slide("A_ppl.jpg")).unwrap();
    assert!(case.refused().contains("is gone, or cannot be read"));
    fs::write(case.slide("A_ppl.jpg"), "plane").unwrap();
    fs::write(case.slide("slide.toml"), "[slide]\nid = \"other\"\n").unwrap();
    assert!(case.refused().contains("slide.toml: is no longer the file that"));
    fs::remove_file(case.slide("slide.toml")).unwrap();
    assert!(case.refused().contains("is gone, or cannot be read"));
    fs::write(case.slide("slide.toml"), "[slide]\n").unwrap();
    case.archive().expect("all is as the report read it again");
}

#[test]
fn a_report_that_was_changed_after_its_page_was_written_is_refused() {
    let mut case = Case::new("S 1");
    let page = case.path("reports/S 1/report.html");
    let bound = fs::read_to_string(&page).unwrap();
    case.report["thickness"]["ci95_um"] = json!([20.0, 40.0]);
    case.write();
    fs::write(&page, &bound).unwrap();
    assert!(case.refused().contains("is not the page of the report.json beside it, or one of the two was changed"));
    case.report["thickness"]["ci95_um"] = json!([29.8, 30.4]);
    case.write();
    fs::write(&page, bound.replace("<footer>", "<p>Sound.<footer>")).unwrap();
    assert!(case.refused().contains("or one of the two was changed"));
    fs::write(&page, &bound).unwrap();
    assert!(verify(&case.archive().unwrap()).unwrap().whole());
}

#[test]
fn a_slide_without_slide_toml_is_archived_until_one_appears() {
    let mut case = Case::new("S 1");
    case.report["read_from"]["slide_toml_sha256"] = Value::Null;
    case.write();
    assert!(case.refused().contains("was not there when"));
    fs::remove_file(case.slide("slide.toml")).unwrap();
    let bag = case.archive().unwrap();
    assert!(verify(&bag).unwrap().whole() && !bag.join("data/slide/slide.toml").exists());
}

#[test]
fn moved_photographs_are_found_where_they_are_said_to_be() {
    let case = Case::new("S 1");
    fs::rename(case.path("slides"), case.path("elsewhere")).unwrap();
    assert!(case.refused().contains("say with --photographs"));
    let wrong = archive(&case.path("reports/S 1"), Some(&case.path("reports")), &case.path("bags"));
    assert!(wrong.unwrap_err().to_string().contains("holds neither \"A_ppl.jpg\""));
    for (n, place) in ["elsewhere", "elsewhere/S 1"].into_iter().enumerate() {
        let to = case.path(&format!("bags-{n}"));
        let bag = archive(&case.path("reports/S 1"), Some(&case.path(place)), &to).unwrap();
        assert!(verify(&bag).unwrap().whole());
    }
}

#[test]
fn nothing_outside_the_slide_is_taken_and_nothing_is_put_outside_the_folder() {
    let secret = tempfile::tempdir().unwrap();
    fs::write(secret.path().join("key"), "plane").unwrap();
    for file in ["../../../key", "/etc/passwd", "..", "a/../../b", "slides\\..\\x", ""] {
        let mut case = Case::new("S 1");
        case.report["photographs"][0]["file"] = json!(file);
        case.write();
        let said = case.refused();
        assert!(said.contains("names a photograph outside the slide's folder"), "{file:?}: {said}");
    }
    #[cfg(unix)]
    {
        let case = Case::new("S 1");
        fs::remove_file(case.slide("A_ppl.jpg")).unwrap();
        std::os::unix::fs::symlink(secret.path().join("key"), case.slide("A_ppl.jpg")).unwrap();
        assert!(case.refused().contains("is not a file of the slide's folder"));
    }
    for id in ["../../up", "/root/x", "..", "con", "a\nPayload-Oxum: 0.0", "\u{1b}[31m"] {
        let case = Case::new(id);
        let bag = case.archive().unwrap();
        assert_eq!(bag.parent().unwrap(), case.path("bags"), "{id:?}");
        assert!(verify(&bag).unwrap().whole());
        let info = fs::read_to_string(bag.join("bag-info.txt")).unwrap();
        assert_eq!(info.lines().filter(|l| l.starts_with("Payload-Oxum")).count(), 1, "{info:?}");
        assert!(info.chars().all(|c| c == '\n' || !c.is_control()), "{info:?}");
    }
}

#[test]
fn a_bag_is_not_put_into_a_folder_that_goes_into_it() {
    let case = Case::new("S 1");
    for to in ["slides/S 1", "slides/S 1/bags/new", "slides/../slides/S 1/fields", "reports/S 1"] {
        let said = archive(&case.path("reports/S 1"), None, &case.path(to)).unwrap_err().to_string();
        assert!(said.contains("whose files go into the bag"), "{to}: {said}");
        assert!(!case.slide("bags").exists() && !case.path(to).join("S 1").exists(), "{to}");
    }
    assert!(archive(&case.path("reports/S 1"), None, &case.path("slides/bags")).is_ok(), "beside it there is room");
}

#[test]
fn a_folder_that_is_no_report_is_refused() {
    let mut case = Case::new("S 1");
    let page = case.path("reports/S 1/report.html");
    fs::write(&page, "<footer>2026-03-02T11:00:00Z</footer>").unwrap();
    assert!(case.refused().contains("is not the page of the report.json beside it"));
    // Changed by hand since.
    for (place, value) in
        [("/verdict/outcome", json!("remake")), ("/thickness/mean_um", json!(28.0)), ("/slide/id", json!("S 2"))]
    {
        case.write();
        let mut changed = case.report.clone();
        *changed.pointer_mut(place).unwrap() = value;
        fs::write(case.path("reports/S 1/report.json"), changed.to_string()).unwrap();
        assert!(case.refused().contains("is not the page of the report.json beside it"), "{place}");
    }
    case.write();
    fs::remove_file(&page).unwrap();
    assert!(case.refused().contains("report.html: cannot be read"));
    case.report["schema_version"] = json!("2.0");
    case.write();
    assert!(case.refused().contains("of another form than 1"));
    case.report["photographs"] = json!([]);
    case.report["schema_version"] = json!("1.0");
    case.write();
    assert!(case.refused().contains("names no photographs"));
    fs::write(case.path("reports/S 1/report.json"), "{}").unwrap();
    assert!(case.refused().contains("is no report of thinproof"));
    assert!(archive(&case.path("none"), None, &case.path("bags")).unwrap_err().to_string().contains("cannot be read"));
}

#[test]
fn verification_names_what_changed_what_is_missing_and_what_is_new() {
    let case = Case::new("S 1");
    let bag = case.archive().unwrap();
    let page = bag.join("data/report/report.html");
    let whole = fs::read(&page).unwrap();
    fs::write(&page, "another verdict").unwrap();
    assert_eq!(found(&bag), [Difference::Changed("data/report/report.html".into())]);
    fs::write(&page, &whole).unwrap();
    assert_eq!(found(&bag), []);
    fs::rename(&page, bag.join("data/page.html")).unwrap();
    let moved = [Difference::Missing("data/report/report.html".into()), Difference::New("data/page.html".into())];
    assert_eq!(found(&bag), moved);
    fs::rename(bag.join("data/page.html"), &page).unwrap();
    fs::write(bag.join("data/slide/A_ppl.jpg"), "retouched").unwrap();
    let photograph = "data/slide/A_ppl.jpg".to_owned();
    let wrong = Difference::Wrong(format!("{photograph} is not the photograph that the report read"));
    assert_eq!(found(&bag), [Difference::Changed(photograph), wrong]);
    fs::write(bag.join("data/slide/A_ppl.jpg"), "plane").unwrap();
    fs::write(bag.join("bag-info.txt"), "Payload-Oxum: 1.1\n").unwrap();
    assert_eq!(found(&bag), [Difference::Changed("bag-info.txt".into())]);
    for tag in ["bagit.txt", "tagmanifest-sha512.txt", "manifest-sha512.txt"] {
        let case = Case::new("S 1");
        let bag = case.archive().unwrap();
        fs::remove_file(bag.join(tag)).unwrap();
        assert!(found(&bag).contains(&Difference::Missing(tag.into())), "{tag}: {:?}", found(&bag));
    }
}

#[test]
fn a_change_hidden_by_new_manifests_is_still_told_by_the_report() {
    let case = Case::new("S 1");
    let bag = case.archive().unwrap();
    fs::write(bag.join("data/slide/A_ppl.jpg"), "retouched").unwrap();
    let renew = |manifest: &str| {
        let path = bag.join(manifest);
        let text = fs::read_to_string(&path).unwrap();
        let lines = text.lines().map(|line| {
            let (_, file) = line.split_once("  ").unwrap();
            let digest = super::digest::of_file(&bag.join(super::bag::decoded(file))).unwrap().sha512;
            format!("{digest}  {file}\n")
        });
        fs::write(&path, lines.collect::<String>()).unwrap();
    };
    renew("manifest-sha512.txt");
    renew("tagmanifest-sha512.txt");
    let sentence = "data/slide/A_ppl.jpg is not the photograph that the report read";
    assert_eq!(found(&bag), [Difference::Wrong(sentence.into())]);
    fs::write(bag.join("data/slide/A_ppl.jpg"), "plane").unwrap();
    fs::write(bag.join("data/slide/slide.toml"), "[slide]\nrock = \"basalt\"\n").unwrap();
    renew("manifest-sha512.txt");
    renew("tagmanifest-sha512.txt");
    let sentence = "data/slide/slide.toml is not the one that the report read";
    assert_eq!(found(&bag), [Difference::Wrong(sentence.into())]);
}

#[test]
fn a_hostile_bag_leads_nowhere() {
    let case = Case::new("S 1");
    let bag = case.archive().unwrap();
    let manifest = fs::read_to_string(bag.join("manifest-sha512.txt")).unwrap();
    let digest = "0".repeat(128);
    for line in ["../../outside", "/etc/passwd", "data/../../x", "bag-info.txt", "data//x"] {
        fs::write(bag.join("manifest-sha512.txt"), format!("{manifest}{digest}  {line}\n")).unwrap();
        let wrong = Difference::Wrong("manifest-sha512.txt, line 7: a path that this manifest may not name".into());
        assert!(found(&bag).contains(&wrong), "{line}: {:?}", found(&bag));
    }
    for line in ["garbage", "12ab  data/x"] {
        fs::write(bag.join("manifest-sha512.txt"), format!("{manifest}{line}\n")).unwrap();
        assert!(found(&bag).iter().any(|d| matches!(d, Difference::Wrong(_))), "{line}");
    }
    fs::write(bag.join("manifest-sha512.txt"), &manifest).unwrap();
    #[cfg(unix)]
    {
        std::os::unix::fs::symlink("/etc", bag.join("data/etc")).unwrap();
        assert_eq!(found(&bag), [Difference::Wrong("data/etc is a link, and not a file of the bag".into())]);
    }
    assert!(bags_in(&case.path("slides")).unwrap_err().to_string().contains("holds no bag"));
}

//! Outlines of the defects over the pictures, and their rows in the table.

use crate::report::pictures::FieldPicture;
use crate::report::record::DefectsRecord;

/// An outline in pixels of the field's plane photograph.
#[derive(Clone, Debug)]
pub(super) struct Mark {
    pub(super) id: String,
    pub(super) kind: &'static str,
    pub(super) title: String,
    pub(super) path: String,
}

/// A defect in the table.
#[derive(Clone, Debug)]
pub(super) struct DefectRow {
    pub(super) id: String,
    pub(super) drawn: bool,
    pub(super) name: String,
    pub(super) field: String,
    pub(super) size: String,
    pub(super) at: String,
    pub(super) confidence: String,
}

/// Marks for each picture in order, and the rows of all defects.
pub(super) fn marks(defects: &DefectsRecord, pictures: &[FieldPicture]) -> (Vec<Vec<Mark>>, Vec<DefectRow>) {
    let mut marks: Vec<Vec<Mark>> = vec![Vec::new(); pictures.len()];
    let mut rows = Vec::new();
    let mut add =
        |field: &str, kind: &'static str, name: String, size: String, at: [f64; 2], confidence: f64, path: String| {
            let id = format!("{kind}-{}", rows.len() + 1);
            let picture = pictures.iter().position(|p| p.name == field);
            if let Some(i) = picture {
                marks[i].push(Mark { id: id.clone(), kind, title: format!("{name}, {size}"), path });
            }
            rows.push(DefectRow {
                id,
                drawn: picture.is_some(),
                name,
                field: field.into(),
                size,
                at: format!("{:.0}, {:.0}", at[0], at[1]),
                confidence: format!("{confidence:.2}"),
            });
        };
    for b in &defects.bubbles {
        let size = b
            .diameter_um
            .map_or_else(|| format!("{:.0} pixels across", b.diameter_px), |d| format!("{d:.0} µm across"));
        let r = b.diameter_px / 2.0;
        let path = format!(
            "M{:.1} {:.1}a{r:.1} {r:.1} 0 1 0 {:.1} 0a{r:.1} {r:.1} 0 1 0 {:.1} 0Z",
            b.x_px - r,
            b.y_px,
            2.0 * r,
            -2.0 * r
        );
        add(&b.field, "bubble", "Bubble".into(), size, [b.x_px, b.y_px], b.confidence, path);
    }
    for p in &defects.plucks {
        let size =
            p.area_um2.map_or_else(|| format!("{:.0} square pixels", p.area_px), |a| format!("{:.4} mm²", a / 1e6));
        let path = if p.outline_px.len() > 2 {
            let points: Vec<String> = p.outline_px.iter().map(|[x, y]| format!("{x:.1} {y:.1}")).collect();
            format!("M{}Z", points.join("L"))
        } else {
            let [x0, y0, x1, y1] = p.box_px;
            format!("M{x0:.1} {y0:.1}H{x1:.1}V{y1:.1}H{x0:.1}Z")
        };
        let (kind, name) =
            if p.ambiguous { ("ambiguous", "Hole, may be the rock's own") } else { ("pluck", "Plucked place") };
        add(&p.field, kind, name.into(), size, [p.x_px, p.y_px], p.confidence, path);
    }
    for s in &defects.scratches {
        let length = s.length_um.map_or_else(
            || format!("{:.0} pixels long", (s.x1_px - s.x0_px).hypot(s.y1_px - s.y0_px)),
            |l| format!("{:.2} mm long", l / 1000.0),
        );
        let width = s.width_um.map_or_else(String::new, |w| format!(", {w:.1} µm wide"));
        let path = format!("M{:.1} {:.1}L{:.1} {:.1}", s.x0_px, s.y0_px, s.x1_px, s.y1_px);
        let middle = [(s.x0_px + s.x1_px) / 2.0, (s.y0_px + s.y1_px) / 2.0];
        add(&s.field, "scratch", "Scratch".into(), format!("{length}{width}"), middle, s.confidence, path);
    }
    for f in &defects.fibres {
        let length = f
            .length_um
            .map_or_else(|| format!("{:.0} pixels long", f.length_px), |l| format!("{:.2} mm long", l / 1000.0));
        let width = f.width_um.map_or_else(String::new, |w| format!(", {w:.0} µm wide"));
        let points: Vec<String> = f.course_px.iter().map(|[x, y]| format!("{x:.1} {y:.1}")).collect();
        let middle = f.course_px.get(f.course_px.len() / 2).copied().unwrap_or_default();
        let path = format!("M{}", points.join("L"));
        add(&f.field, "fibre", "Fibre, not counted".into(), format!("{length}{width}"), middle, f.confidence, path);
    }
    for l in &defects.lifted {
        let area =
            l.area_um2.map_or_else(|| format!("{:.0} square pixels", l.area_px), |a| format!("{:.3} mm²", a / 1e6));
        let film = l.film_um.map_or_else(String::new, |[from, to]| {
            format!(", film of air {from:.2} to {to:.2} µm where it shows colours")
        });
        let points: Vec<String> = l.outline_px.iter().map(|[x, y]| format!("{x:.1} {y:.1}")).collect();
        let [x0, y0, x1, y1] = l.box_px;
        let middle = [0.5 * (x0 + x1), 0.5 * (y0 + y1)];
        let path = format!("M{}Z", points.join("L"));
        add(&l.field, "lifted", "Lifted, not counted".into(), format!("{area}{film}"), middle, l.confidence, path);
    }
    (marks, rows)
}

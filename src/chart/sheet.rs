//! The sheet for the wall, A3 across: retardation along it, thickness up it, the mineral lines and the allowed band of quartz.
//!
//! Lengths on the sheet are millimetres, x right and y down. Every place is computed here; the template only sets type.

use askama::Template;

use crate::chart::ColourScale;
use crate::chart::labels::{MineralLine, spread};
use crate::chart::picture;
use crate::error::{Error, Result};
use crate::optics::{Lamp, quartz};
use crate::units::{Micrometres, Nanometres};
use crate::verdict::ThicknessBand;

/// The coloured field: left, top, right, bottom.
const FIELD: [f64; 4] = [68.0, 64.0, 368.0, 222.0];
/// Ends of the room for the labels above and beside the field.
const ABOVE: (f64, f64) = (60.0, 408.0);
const BESIDE: (f64, f64) = (46.0, 232.0);
/// Thickness shown at least, µm: quartz reaches the end of its first order there.
const UP_TO_UM: f64 = 60.0;
/// Retardations that a chart may reach, nm.
pub const UP_TO_NM: (f64, f64) = (500.0, 3000.0);
/// Letters of the words below that fit across the sheet.
const LETTERS: usize = 178;

/// What a wall chart is drawn for.
#[derive(Clone, Debug, PartialEq)]
pub struct WallChart {
    scale: ColourScale,
    band: ThicknessBand,
    up_to_um: f64,
}

impl WallChart {
    /// A chart of one lamp's colours up to a retardation, with the thickness allowed for a section.
    ///
    /// # Errors
    /// When the chart would end before the quartz of the thickest allowed section, or reaches beyond [`UP_TO_NM`].
    pub fn new(lamp: Lamp, band: ThicknessBand, up_to: Nanometres) -> Result<Self> {
        let (least, most) = UP_TO_NM;
        if !(least..=most).contains(&up_to.nm()) {
            let what = format!("a chart cannot reach {} nm", up_to.nm());
            return Err(Error::new("--up-to", what, format!("give {least} to {most} nm")));
        }
        let needed = quartz::largest_retardation(Micrometres::from_um(band.high_um)).nm();
        if needed > up_to.nm() {
            let what = format!(
                "quartz of {} um shows up to {needed:.0} nm, and the chart ends at {} nm",
                band.high_um,
                up_to.nm()
            );
            return Err(Error::new("--up-to", what, "give a larger --up-to or a smaller target"));
        }
        let up_to_um = UP_TO_UM.max(10.0 * (band.high_um / 10.0).floor() + 10.0);
        Ok(Self { scale: ColourScale::new(lamp, up_to), band, up_to_um })
    }

    /// The sheet as a self-contained SVG document.
    ///
    /// # Errors
    /// When the template cannot be filled, which is a fault of this program.
    pub fn to_svg(&self) -> Result<String> {
        self.sheet()
            .render()
            .map_err(|e| Error::new("chart", "the sheet cannot be set", "report this as a fault").caused_by(e))
    }

    /// The same sheet as a PNG picture that prints on A3.
    ///
    /// # Errors
    /// When the laboratory's words hold a letter that the picture's fonts do not have, or the picture cannot be made, which
    /// is a fault of this program.
    pub fn to_png(&self) -> Result<Vec<u8>> {
        picture::png(&self.to_svg()?)
    }

    fn x(&self, nm: f64) -> f64 {
        FIELD[0] + (FIELD[2] - FIELD[0]) * nm / self.scale.up_to().nm()
    }

    fn y(&self, um: f64) -> f64 {
        FIELD[3] - (FIELD[3] - FIELD[1]) * um / self.up_to_um
    }

    fn sheet(&self) -> Sheet {
        let quartz_nm = |um: f64| quartz::largest_retardation(Micrometres::from_um(um)).nm();
        let ThicknessBand { target_um, low_um, high_um, .. } = self.band;
        let at = |um: f64| [round(self.x(quartz_nm(um))), round(self.y(um))];
        let whole = |nm: f64| format!("{nm:.0}");
        let [from, to] = [at(low_um)[0], at(high_um)[0]];
        Sheet {
            title: format!("Interference colours, {}", self.scale.lamp()),
            advice: format!(
                "Find the quartz grain of the highest colour: in a section of {} to {} µm it lies between the marks, {} to {} nm.",
                number(low_um),
                number(high_um),
                whole(quartz_nm(low_um)),
                whole(quartz_nm(high_um))
            ),
            field: FIELD,
            stops: self.scale.stops(),
            quartz_stops: self.scale.stops_up_to(Nanometres::from_nm(quartz_nm(self.up_to_um))),
            swatch_top: round(self.y((self.scale.up_to().nm() / quartz_nm(1.0)).min(self.up_to_um))),
            thickness_ticks: self.thickness_ticks(),
            thickness_words: self.thickness_words(),
            retardation_ticks: self.retardation_ticks(),
            ends: self.scale.order_ends().iter().map(|e| round(self.x(e.nm()))).collect(),
            orders: self.orders(),
            lines: self.lines(),
            band: [round(self.y(high_um)), round(self.y(low_um))],
            done: [at(low_um), at(high_um)],
            target: at(target_um),
            done_bar: [from, round(to - from)],
            done_words: [
                (round(from - 2.0), whole(quartz_nm(low_um))),
                (
                    round(to + 2.0),
                    format!("{} nm: quartz of {} to {} µm", whole(quartz_nm(high_um)), number(low_um), number(high_um)),
                ),
            ],
            words: words(&self.words(), LETTERS),
        }
    }

    fn thickness_ticks(&self) -> Vec<(f64, f64)> {
        let length = |um: u32| match um {
            um if um % 10 == 0 => 6.0,
            um if um % 5 == 0 => 4.0,
            _ => 2.0,
        };
        (0..=self.up_to_um as u32).map(|um| (round(self.y(f64::from(um))), FIELD[0] - length(um))).collect()
    }

    /// Numbers on the thickness scale: the tens, and the allowed ends (true) in their place where both would not fit.
    fn thickness_words(&self) -> Vec<(f64, String, bool)> {
        const APART: f64 = 8.0;
        let ends = [self.band.high_um, self.band.low_um];
        let places = spread(&ends.map(|um| self.y(um)), &[APART; 2], (FIELD[1], FIELD[3]));
        let tens = (0..=(self.up_to_um / 10.0) as u32)
            .map(|i| f64::from(10 * i))
            .map(|um| (self.y(um), number(um), false))
            .filter(|(y, ..)| places.iter().all(|p| (p - y).abs() >= APART));
        let ends = places.iter().zip(ends).map(|(y, um)| (*y, number(um), true));
        tens.chain(ends).map(|(y, text, end)| (round(y + 2.3), text, end)).collect()
    }

    fn retardation_ticks(&self) -> Vec<(f64, f64, Option<String>)> {
        let (fine, every) = if self.scale.up_to().nm() > 2000.0 { (50, 4) } else { (20, 5) };
        (0..=self.scale.up_to().nm() as u32 / fine)
            .map(|i| {
                let named = i % every == 0;
                let x = round(self.x(f64::from(i * fine)));
                (x, if named { 4.0 } else { 1.8 }, named.then(|| (i * fine).to_string()))
            })
            .collect()
    }

    /// Orders below the scale: the stretch between two ends with its name where that fits, and the end's number after it.
    fn orders(&self) -> Vec<Order> {
        /// Half the room of an end's number.
        const NUMBER: f64 = 14.0;
        const NAMES: [&str; 6] = ["first", "second", "third", "fourth", "fifth", "sixth"];
        let ends: Vec<f64> = self.scale.order_ends().iter().map(|e| e.nm()).collect();
        let mut from = FIELD[0];
        let mut orders = Vec::new();
        for (i, name) in NAMES.iter().enumerate().take(ends.len() + 1) {
            let end = ends.get(i).copied();
            let to = end.map_or(FIELD[2], |nm| self.x(nm));
            // The number stands in a gap of the bar.
            let (gap_before, gap_after) = (if i == 0 { 0.0 } else { NUMBER }, if end.is_some() { NUMBER } else { 0.0 });
            let (start, stop) = (from + gap_before, to - gap_after);
            orders.push(Order {
                bar: (stop > start + 1.0).then(|| [round(start), round(stop)]),
                middle: round(0.5 * (start + stop)),
                name: match stop - start {
                    room if room > 46.0 => Some(format!("{name} order")),
                    room if room > 26.0 => Some((*name).to_owned()),
                    _ => None,
                },
                // Nothing of a number may hang over the sheet's side.
                end: end.map(|nm| (round(to.min(FIELD[2] + 20.0)), format!("{nm:.0} nm"))),
            });
            from = to;
        }
        orders
    }

    fn lines(&self) -> Vec<Line> {
        const LETTER: f64 = 2.75;
        const LINE: f64 = 5.4;
        let up_to = [self.scale.up_to().nm(), self.up_to_um];
        let mut minerals = MineralLine::all();
        minerals.sort_by(|a, b| a.birefringence().total_cmp(&b.birefringence()));
        let (above, beside): (Vec<_>, Vec<_>) = minerals.into_iter().partition(|m| m.leaves(up_to)[1] >= self.up_to_um);
        let text = |m: &MineralLine| {
            let mut text: Vec<String> = m.names.iter().map(|n| (*n).to_owned()).collect();
            text.push(m.range_words());
            text
        };
        let line = |m: &MineralLine, end: [f64; 2], anchor, label: [f64; 2], leader: [f64; 2]| Line {
            quartz: m.is_quartz(),
            id: m.names.join("-"),
            about: m
                .names
                .iter()
                .zip(&m.sources)
                .map(|(name, source)| format!("{name} {}: {source}", m.range_words()))
                .collect::<Vec<_>>()
                .join("; "),
            end: end.map(round),
            leader: leader.map(round),
            anchor,
            text: text(m)
                .into_iter()
                .enumerate()
                .map(|(i, t)| (round(label[0]), round(label[1] + LINE * i as f64), t))
                .collect(),
        };
        let mut lines = Vec::new();

        let ends: Vec<f64> = above.iter().map(|m| self.x(m.leaves(up_to)[0])).collect();
        let widths: Vec<f64> = above
            .iter()
            .map(|m| 5.0 + LETTER * text(m).iter().map(|t| t.chars().count()).max().unwrap_or(0) as f64)
            .collect();
        for ((m, end), x) in above.iter().zip(&ends).zip(spread(&ends, &widths, ABOVE)) {
            let rows = text(m).len() as f64;
            let label = [x, FIELD[1] - 9.5 - LINE * (rows - 1.0)];
            lines.push(line(m, [*end, FIELD[1]], "middle", label, [x, FIELD[1] - 7.5]));
        }

        // From the top down: the steepest line leaves highest.
        let ends: Vec<f64> = beside.iter().map(|m| self.y(m.leaves(up_to)[1])).collect();
        let heights: Vec<f64> = beside.iter().map(|m| 3.0 + LINE * text(m).len() as f64).collect();
        for ((m, end), y) in beside.iter().zip(&ends).zip(spread(&ends, &heights, BESIDE)) {
            let rows = text(m).len() as f64;
            let label = [FIELD[2] + 9.0, y - 0.5 * LINE * rows + 3.8];
            lines.push(line(m, [FIELD[2], *end], "start", label, [FIELD[2] + 7.5, y]));
        }
        // Quartz lies on top.
        lines.sort_by_key(|l| l.quartz);
        lines
    }

    fn words(&self) -> Vec<String> {
        vec![
            format!(
                "Computed for {}: crystals at 45° between crossed polars, CIE 1931 observer, white balanced on the open \
                 field, sRGB. Retardation is that at 589.3 nm and disperses as in quartz after Ghosh (1999); other minerals \
                 disperse otherwise. An order ends where this lamp leaves the least light.",
                self.scale.lamp()
            ),
            "A photograph's white balance changes what the eye sees; so do other lamps, screens and printers. Compare a \
             section of known thickness first."
                .into(),
            format!(
                "Lines: thickness times the largest birefringence, at the middle of the published range given; other cuts show \
                 less. Allowed: {}.",
                self.band.source.replace("+/-", "±").replace(" um", " µm")
            ),
        ]
    }
}

#[derive(Template)]
#[template(path = "wall_chart.svg")]
struct Sheet {
    title: String,
    advice: String,
    field: [f64; 4],
    stops: Vec<(String, String)>,
    quartz_stops: Vec<(String, String)>,
    swatch_top: f64,
    thickness_ticks: Vec<(f64, f64)>,
    thickness_words: Vec<(f64, String, bool)>,
    retardation_ticks: Vec<(f64, f64, Option<String>)>,
    ends: Vec<f64>,
    orders: Vec<Order>,
    lines: Vec<Line>,
    band: [f64; 2],
    done: [[f64; 2]; 2],
    target: [f64; 2],
    done_bar: [f64; 2],
    done_words: [(f64, String); 2],
    words: Vec<String>,
}

/// A mineral's line with its label.
struct Line {
    quartz: bool,
    id: String,
    about: String,
    end: [f64; 2],
    leader: [f64; 2],
    anchor: &'static str,
    text: Vec<(f64, f64, String)>,
}

/// An order of interference colours under the scale.
struct Order {
    bar: Option<[f64; 2]>,
    middle: f64,
    name: Option<String>,
    end: Option<(f64, String)>,
}

/// Paragraphs set in lines of at most `letters`.
fn words(paragraphs: &[String], letters: usize) -> Vec<String> {
    let mut lines = Vec::new();
    for paragraph in paragraphs {
        let mut line = String::new();
        for word in paragraph.split_whitespace() {
            if !line.is_empty() && line.chars().count() + 1 + word.chars().count() > letters {
                lines.push(std::mem::take(&mut line));
            }
            if !line.is_empty() {
                line.push(' ');
            }
            line.push_str(word);
        }
        lines.push(line);
    }
    lines
}

/// At most two decimals, none when they are nought.
fn number(value: f64) -> String {
    round(value).to_string()
}

fn round(value: f64) -> f64 {
    (value * 100.0).round() / 100.0
}

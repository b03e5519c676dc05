//! The sheet for the wall as a picture: its SVG painted with fonts that the program carries, for no machine is sure to have one.

use std::sync::Arc;

use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::fontdb::{Database, Source};
use resvg::usvg::{GlyphId, Group, Node, Options, Tree};

use crate::error::{Error, Result};

/// Width and height of the sheet, mm: A3 across.
const SHEET_MM: [u32; 2] = [420, 297];
/// Fineness (203 dpi; house value): the smallest letters are 34 pixels high, and a metre is a whole number of pixels, so the
/// size stated in the file is exactly A3.
const PX_PER_MM: u32 = 8;

/// The program's own letters, plain and bold, and the face of the running text: see `fonts/README.md`.
const SANS: [&[u8]; 2] =
    [include_bytes!("fonts/DejaVuSansCondensed.ttf"), include_bytes!("fonts/DejaVuSansCondensed-Bold.ttf")];
const SERIF: &[u8] = include_bytes!("fonts/DejaVuSerifCondensed.ttf");
/// What a font draws for a letter that it does not have (OpenType, `.notdef`).
const NO_SHAPE: GlyphId = GlyphId(0);

/// Paints a sheet of A3 and writes it as PNG, sRGB, with its size on paper.
///
/// # Errors
/// When a letter is in none of the fonts, or the SVG is not one, which is a fault of this program.
pub(super) fn png(svg: &str) -> Result<Vec<u8>> {
    let tree = laid_out(svg)?;
    if let Some(letters) = without_shape(tree.root()) {
        let what = format!("the fonts for a PNG have no {letters:?}");
        let remedy = "give a name that ends in .svg, or state the limits' source in Latin, Greek or Cyrillic letters";
        return Err(Error::new("--out", what, remedy));
    }
    let [width, height] = SHEET_MM.map(|mm| mm * PX_PER_MM);
    let mut paper = Pixmap::new(width, height).ok_or_else(|| fault("no room"))?;
    let scale = Transform::from_scale(width as f32 / tree.size().width(), height as f32 / tree.size().height());
    resvg::render(&tree, scale, &mut paper.as_mut());
    // The sheet covers its paper, so no pixel lets anything through.
    let rgb: Vec<u8> = paper.pixels().iter().flat_map(|p| [p.red(), p.green(), p.blue()]).collect();
    encoded(&rgb, [width, height]).map_err(fault)
}

/// Reads the sheet and sets its type.
fn laid_out(svg: &str) -> Result<Tree> {
    let mut fonts = Database::new();
    // Gives back the name that the font goes by.
    let mut load = |font: &'static [u8]| {
        let ids = fonts.load_font_source(Source::Binary(Arc::new(font)));
        let face = ids.first().and_then(|id| fonts.face(*id));
        face.and_then(|f| f.families.first()).map(|(name, _)| name.clone()).ok_or_else(|| fault("a font is broken"))
    };
    let [plain, bold] = SANS.map(&mut load);
    let (sans, serif) = (bold.and(plain)?, load(SERIF)?);
    fonts.set_sans_serif_family(sans);
    fonts.set_serif_family(serif);
    let options = Options { fontdb: Arc::new(fonts), ..Options::default() };
    Tree::from_str(svg, &options).map_err(fault)
}

/// The first letters that stand in a text and in none of the fonts.
fn without_shape(group: &Group) -> Option<String> {
    group.children().iter().find_map(|node| match node {
        Node::Group(group) => without_shape(group),
        Node::Text(text) => text
            .layouted()
            .iter()
            .flat_map(|span| &span.positioned_glyphs)
            .find(|glyph| glyph.id == NO_SHAPE)
            .map(|glyph| glyph.text.clone()),
        _ => None,
    })
}

/// RGB of 8 bits as PNG.
fn encoded(rgb: &[u8], [width, height]: [u32; 2]) -> std::result::Result<Vec<u8>, png::EncodingError> {
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, width, height);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_source_srgb(png::SrgbRenderingIntent::RelativeColorimetric);
    let per_metre = PX_PER_MM * 1000;
    encoder.set_pixel_dims(Some(png::PixelDimensions { xppu: per_metre, yppu: per_metre, unit: png::Unit::Meter }));
    let mut writer = encoder.write_header()?;
    writer.write_image_data(rgb)?;
    writer.finish()?;
    Ok(bytes)
}

fn fault(cause: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Error {
    Error::new("chart", "the sheet cannot be painted", "report this as a fault").caused_by(cause)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chart::browser::crowded_sheets;

    /// Which texts, as set in the program's own fonts, meet another or leave the sheet.
    fn met(svg: &str) -> Vec<String> {
        let tree = laid_out(svg).unwrap();
        let mut texts = Vec::new();
        gather(tree.root(), &mut texts);
        assert!(texts.len() > 2);
        let mut met = Vec::new();
        for (i, (a, p)) in texts.iter().enumerate() {
            if p.left() < 0.0 || p.right() > tree.size().width() || p.top() < 0.0 || p.bottom() > tree.size().height() {
                met.push(format!("{a} off the sheet"));
            }
            // A line of type is taller than its letters: a quarter of it may meet the next line.
            met.extend(texts[i + 1..].iter().filter_map(|(b, q)| {
                let across = p.right().min(q.right()) - p.left().max(q.left());
                let down = p.bottom().min(q.bottom()) - p.top().max(q.top());
                (across > 0.0 && down > 0.25 * p.height().min(q.height())).then(|| format!("{a} on {b}"))
            }));
        }
        met
    }

    fn gather(group: &Group, texts: &mut Vec<(String, resvg::usvg::Rect)>) {
        for node in group.children() {
            match node {
                Node::Group(group) => gather(group, texts),
                Node::Text(text) => {
                    let said = text.chunks().iter().map(resvg::usvg::TextChunk::text).collect();
                    texts.push((said, text.abs_bounding_box()));
                }
                _ => (),
            }
        }
    }

    #[test]
    fn in_these_fonts_no_text_meets_another_or_leaves_the_sheet() {
        for (name, svg) in crowded_sheets() {
            assert_eq!(met(&svg), [""; 0], "{name}");
        }
    }

    /// The look must be able to fail.
    #[test]
    fn texts_on_each_other_are_seen() {
        let svg = "<svg xmlns='http://www.w3.org/2000/svg' width='200' height='80' font-family='x, sans-serif'>\
                   <text x='9' y='40'>one</text><text x='12' y='42'>two</text><text x='190' y='70'>three</text></svg>";
        assert_eq!(met(svg), ["one on two", "three off the sheet"]);
    }

    #[test]
    fn letters_of_europe_have_a_shape_and_others_are_named() {
        let first = |words: &str| {
            let svg = format!(
                "<svg xmlns='http://www.w3.org/2000/svg' width='9' height='9'><text y='9' font-family='serif'>{words}</text></svg>"
            );
            without_shape(laid_out(&svg).unwrap().root())
        };
        for words in ["30 ± 5 µm – 45° × 2, ≥ −1 Δ", "Łódź, Příbram, Århus, Zu\u{308}rich", "Αθήνα, Москва, Việt Nam"]
        {
            assert_eq!(first(words), None, "{words}");
        }
        assert_eq!(first("sheet 試").as_deref(), Some("試"));
    }
}

//! `thinproof chart`: the interference-colour chart of a lamp, for the wall.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;

use crate::chart::WallChart;
use crate::error::{Error, Result};
use crate::optics::Lamp;
use crate::units::Nanometres;
use crate::verdict::{LimitSet, ThicknessBand};

/// Shown under the command's help.
pub const EXAMPLES: &str = "Lamps: d65, a, planck:KELVIN (1500 to 25000), daylight:KELVIN (4000 to 25000), and white LEDs as \
led:warm, led:cool or led:BLUE:NM with the height of the blue line over that of the phosphor (0 to 5) and the phosphor's \
centre (500 to 650 nm).\n\nExamples:\n  thinproof chart\n  thinproof chart --lamp planck:2900 --out tungsten.svg\n  \
thinproof chart --lamp led:warm --target 20 --tolerance 3 --up-to 1200 --out soil.png";

/// What is typed after `chart`.
#[derive(Args, Debug)]
pub struct ChartArguments {
    /// The microscope's lamp.
    #[arg(long, default_value = "d65", value_name = "LAMP", value_parser = lamp)]
    lamp: Lamp,
    /// Target thickness, µm.
    #[arg(long, default_value = "30", value_name = "UM", allow_negative_numbers = true, value_parser = above_zero)]
    target: f64,
    /// Allowed thickness below and above the target, µm; 5 where neither this nor a limits file says otherwise.
    #[arg(long, value_name = "UM", allow_negative_numbers = true, value_parser = above_zero, conflicts_with = "limits")]
    tolerance: Option<f64>,
    /// Your own limits: the allowed thickness is taken from them.
    #[arg(long, value_name = "FILE")]
    limits: Option<PathBuf>,
    /// Retardation at the right end, nm.
    #[arg(long, default_value = "1800", value_name = "NM", allow_negative_numbers = true, value_parser = above_zero)]
    up_to: f64,
    /// File to write, of A3 size: an SVG drawing, or a PNG picture where the name ends in .png.
    #[arg(long, default_value = "chart.svg", value_name = "FILE")]
    out: PathBuf,
}

/// Draws the chart into the file.
///
/// # Errors
/// When the limits cannot be used, the chart cannot show the allowed thickness, or the file cannot be written; an older
/// file is left as it was then.
pub fn run(arguments: &ChartArguments) -> Result<ExitCode> {
    let out = &arguments.out;
    let ends_in = |ending: &str| out.extension().is_some_and(|e| e.eq_ignore_ascii_case(ending));
    if !ends_in("svg") && !ends_in("png") {
        let remedy = "give --out a name that ends in .svg or .png";
        return Err(Error::new(out, "the chart is written as SVG or PNG", remedy));
    }
    let chart = WallChart::new(arguments.lamp, arguments.band()?, Nanometres::from_nm(arguments.up_to))?;
    let sheet = if ends_in("png") { chart.to_png()? } else { chart.to_svg()?.into_bytes() };
    write(out, &sheet)?;
    println!("{}", out.display());
    Ok(ExitCode::SUCCESS)
}

impl ChartArguments {
    fn band(&self) -> Result<ThicknessBand> {
        let Some(tolerance) = self.tolerance else {
            let path = self.limits.as_deref();
            let set = path.map_or_else(|| Ok(LimitSet::default()), LimitSet::read)?;
            return set.thickness_for(self.target, false, path.unwrap_or(Path::new("--target")));
        };
        if tolerance >= self.target {
            let what = format!("{tolerance} um below a target of {} um leaves no section", self.target);
            return Err(Error::new("--tolerance", what, "give a tolerance smaller than the target"));
        }
        Ok(ThicknessBand {
            target_um: self.target,
            low_um: self.target - tolerance,
            high_um: self.target + tolerance,
            source: format!("{} +/- {tolerance} um, the laboratory's own", self.target),
        })
    }
}

/// Writes beside the place and moves there, so that the file is whole or the older one.
fn write(out: &Path, sheet: &[u8]) -> Result<()> {
    let failed = |e: std::io::Error| {
        Error::new(out, "the chart cannot be written there", "check that its folder exists and can be written to")
            .caused_by(e)
    };
    let folder = out.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let draft = folder.join(format!(".thinproof-chart-{}", std::process::id()));
    let written = std::fs::File::create(&draft).and_then(|mut file| file.write_all(sheet));
    written.and_then(|()| std::fs::rename(&draft, out)).map_err(|e| {
        // It may not be there at all.
        let _ = std::fs::remove_file(&draft);
        failed(e)
    })
}

/// A lamp as typed.
fn lamp(text: &str) -> Result<Lamp, String> {
    let typed = text.to_ascii_lowercase();
    let parts: Vec<&str> = typed.split(':').collect();
    let within = |text: &str, what: &str, least: f64, most: f64| match text.parse::<f64>() {
        Ok(n) if (least..=most).contains(&n) => Ok(n),
        _ => Err(format!("{what} must be a number from {least} to {most}")),
    };
    match parts[..] {
        ["a"] => Ok(Lamp::A),
        ["d65"] => Ok(Lamp::D65),
        ["planck", kelvin] => Ok(Lamp::Planck(within(kelvin, "a black body's temperature", 1500.0, 25000.0)?)),
        ["daylight", kelvin] => Ok(Lamp::Daylight(within(kelvin, "daylight's temperature", 4000.0, 25000.0)?)),
        // Typical of white LEDs sold as warm and cool (common practice, no source).
        ["led", "warm"] => Ok(Lamp::Led { blue: 0.45, phosphor_nm: 600.0 }),
        ["led", "cool"] => Ok(Lamp::Led { blue: 1.5, phosphor_nm: 555.0 }),
        ["led", blue, nm] => Ok(Lamp::Led {
            blue: within(blue, "an LED's blue line", 0.0, 5.0)?,
            phosphor_nm: within(nm, "an LED's phosphor", 500.0, 650.0)?,
        }),
        _ => {
            Err("no such lamp is known; give d65, a, planck:KELVIN, daylight:KELVIN, led:warm, led:cool or led:BLUE:NM"
                .into())
        }
    }
}

fn above_zero(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(n) if n > 0.0 && n.is_finite() => Ok(n),
        _ => Err("must be a number above zero".into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lamps_as_typed() {
        for (text, expected) in [
            ("D65", Lamp::D65),
            ("a", Lamp::A),
            ("planck:2900", Lamp::Planck(2900.0)),
            ("daylight:5500", Lamp::Daylight(5500.0)),
            ("led:0.8:575", Lamp::Led { blue: 0.8, phosphor_nm: 575.0 }),
        ] {
            assert_eq!(lamp(text), Ok(expected), "{text}");
        }
        for text in
            ["", "tungsten", "planck", "planck:", "planck:10", "planck:nan", "daylight:3000", "led", "led:1", "a:b"]
        {
            let said = lamp(text).unwrap_err();
            assert!(said.len() < 120 && !said.contains('\n'), "{text}: {said}");
        }
    }
}

//! Renders one slide of each rock with known truth: `cargo run --example render -- DIR`.

use std::path::PathBuf;
use std::time::Instant;

use thinproof::demo::{Flaws, Rock, Scene};

fn main() -> thinproof::Result<()> {
    let dir = PathBuf::from(std::env::args().nth(1).unwrap_or_else(|| "rendered".into()));
    let flaws = Flaws { bubbles: 6, plucks: 5, scratches: 5, ..Flaws::default() };
    for (k, rock) in
        [Rock::Quartzite, Rock::Sandstone, Rock::Granite, Rock::Gabbro, Rock::Marble].into_iter().enumerate()
    {
        for (flaws, what) in [(Flaws::default(), "sound"), (flaws.clone(), "flawed")] {
            let scene = Scene { flaws, ..Scene::new(&format!("{rock:?}-{what}").to_lowercase(), 100 + k as u64, rock) };
            let start = Instant::now();
            let (folder, truth) = scene.render_to(&dir)?;
            println!("{} in {:.2} s: {:?}", folder.display(), start.elapsed().as_secs_f64(), truth.outcomes);
        }
    }
    Ok(())
}

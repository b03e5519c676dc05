//! Where the mineral lines leave the chart, and labels beside those places that do not run into each other.

use crate::optics::mineral::{MINERALS, Mineral};

/// Minerals of one birefringence: a line from the origin.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct MineralLine {
    /// Names.
    pub(crate) names: Vec<&'static str>,
    /// Range of the largest birefringence.
    pub(super) range: (f64, f64),
    /// Where the range is from, one a name.
    pub(super) sources: Vec<&'static str>,
}

impl MineralLine {
    /// The minerals known to optics; those of one range share a line.
    pub(crate) fn all() -> Vec<Self> {
        let mut lines: Vec<Self> = Vec::new();
        for Mineral { name, low, high, source, .. } in MINERALS {
            match lines.iter_mut().find(|l| l.range == (low, high)) {
                Some(line) => {
                    line.names.push(name);
                    line.sources.push(source);
                }
                None => lines.push(Self { names: vec![name], range: (low, high), sources: vec![source] }),
            }
        }
        lines
    }

    /// Whether this is the line of quartz, which the thickness is read from.
    pub(crate) fn is_quartz(&self) -> bool {
        self.names == ["quartz"]
    }

    /// Birefringence of the line: the middle of the range.
    pub(crate) const fn birefringence(&self) -> f64 {
        0.5 * (self.range.0 + self.range.1)
    }

    /// Where the line leaves a chart that ends at these, across and upwards: retardation, nm, and thickness, µm.
    pub(crate) fn leaves(&self, [nm, um]: [f64; 2]) -> [f64; 2] {
        let nm_per_um = 1e3 * self.birefringence();
        if nm_per_um * um <= nm { [nm_per_um * um, um] } else { [nm, nm / nm_per_um] }
    }

    /// The range in words.
    pub(super) fn range_words(&self) -> String {
        let (low, high) = self.range;
        let number = |n: f64| {
            let text = format!("{n:.4}");
            text.strip_suffix('0').map_or(text.clone(), str::to_owned)
        };
        if low < high { format!("{} to {}", number(low), number(high)) } else { number(low) }
    }
}

/// Places for labels of the given `sizes` along one edge, each as near to its wish as the others allow and all between the
/// bounds; `wishes` ascending, places are the labels' centres. What does not fit runs over the far bound.
///
/// Least squares under a fixed order: with the sizes before each label taken off, the wishes must only not descend, and
/// pooling neighbours that do solves that (isotonic regression; textbook).
pub(super) fn spread(wishes: &[f64], sizes: &[f64], bounds: (f64, f64)) -> Vec<f64> {
    let total: f64 = sizes.iter().sum();
    let mut before = 0.0;
    let mut offsets = Vec::new();
    let mut pools: Vec<(f64, usize)> = Vec::new();
    for (wish, size) in wishes.iter().zip(sizes) {
        let offset = before + 0.5 * size;
        before += size;
        offsets.push(offset);
        pools.push((wish - offset, 1));
        while let [.., (left, m), (right, n)] = pools[..]
            && left > right
        {
            pools.truncate(pools.len() - 2);
            pools.push(((left * m as f64 + right * n as f64) / (m + n) as f64, m + n));
        }
    }
    let starts = pools.into_iter().flat_map(|(start, n)| std::iter::repeat_n(start, n));
    starts.zip(offsets).map(|(start, offset)| start.min(bounds.1 - total).max(bounds.0) + offset).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_keep_their_place_or_share_the_shift() {
        assert_eq!(spread(&[10.0, 50.0], &[10.0, 10.0], (0.0, 100.0)), [10.0, 50.0]);
        assert_eq!(spread(&[49.0, 51.0], &[10.0, 10.0], (0.0, 100.0)), [45.0, 55.0]);
        assert_eq!(spread(&[1.0, 2.0, 99.0], &[10.0, 10.0, 10.0], (0.0, 100.0)), [5.0, 15.0, 95.0]);
        assert!(spread(&[], &[], (0.0, 100.0)).is_empty());
    }

    #[test]
    fn minerals_of_one_range_share_a_line() {
        let lines = MineralLine::all();
        assert_eq!(lines.iter().map(|l| l.names.len()).sum::<usize>(), MINERALS.len());
        let felspar = lines.iter().find(|l| l.names.contains(&"microcline")).unwrap();
        assert_eq!((felspar.names.len(), felspar.range_words().as_str()), (2, "0.005 to 0.008"));
        let quartz = lines.iter().find(|l| l.is_quartz()).unwrap();
        assert_eq!((quartz.birefringence(), quartz.range_words().as_str()), (0.0091, "0.0091"));
    }
}

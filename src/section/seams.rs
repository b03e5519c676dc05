//! Which piece lies at each cell near the borders of cores: where the same piece is seen from two windows, it is one.

/// Labels of the cells within `reach` of the borders between cores.
pub(crate) struct Seams {
    dim: (usize, usize),
    reach: usize,
    columns: Strips,
    rows: Strips,
}

/// Strips of cells along one direction, one about each border.
struct Strips {
    borders: Vec<usize>,
    length: usize,
    labels: Vec<Vec<u32>>,
}

impl Strips {
    fn new(borders: Vec<usize>, length: usize, reach: usize) -> Self {
        let labels = borders.iter().map(|_| vec![0; 2 * reach * length]).collect();
        Self { borders, length, labels }
    }

    /// The labels of the cell `across` and `along` in each strip that holds it.
    fn at(&mut self, across: usize, along: usize, reach: usize) -> impl Iterator<Item = &mut u32> {
        let length = self.length;
        // Borders ascend, and only few can be near.
        let first = self.borders.partition_point(|b| b + reach <= across);
        self.borders[first..]
            .iter()
            .zip(&mut self.labels[first..])
            .take_while(move |(b, _)| across + reach >= **b)
            .map(move |(b, labels)| &mut labels[(across + reach - b) * length + along])
    }
}

impl Seams {
    /// Of a field of (rows, columns) cells; `xs` and `ys` are the first cells of the cores but the first.
    pub(crate) fn new(dim: (usize, usize), xs: Vec<usize>, ys: Vec<usize>, reach: usize) -> Self {
        Self { dim, reach, columns: Strips::new(xs, dim.0, reach), rows: Strips::new(ys, dim.1, reach) }
    }

    /// Notes that cell (x, y) belongs to piece `label` (from 1 on); calls `same` with each piece that was noted there before.
    pub(crate) fn note(&mut self, [x, y]: [usize; 2], label: u32, mut same: impl FnMut(u32)) {
        if x >= self.dim.1 || y >= self.dim.0 {
            return;
        }
        for held in self.columns.at(x, y, self.reach).chain(self.rows.at(y, x, self.reach)) {
            match *held {
                0 => *held = label,
                other if other != label => same(other),
                _ => {}
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_seen_from_both_sides_of_a_border_is_the_same() {
        let mut seams = Seams::new((40, 60), vec![20, 40], vec![16], 4);
        let mut met = Vec::new();
        for (at, label) in [
            ([18, 3], 1),
            ([18, 3], 2),
            ([30, 3], 1),
            ([30, 3], 3),
            ([50, 13], 4),
            ([50, 13], 5),
            ([36, 12], 6),
            ([36, 12], 7),
        ] {
            seams.note(at, label, |other| met.push((other, label)));
        }
        // The last lies near two borders.
        assert_eq!(met, [(1, 2), (4, 5), (6, 7), (6, 7)]);
    }
}

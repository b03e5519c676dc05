//! Things that belong together by links between two of them: pieces of a crystal, views of a line.

/// Which things belong together, by the links that were told.
#[derive(Debug)]
pub(crate) struct Linked {
    /// Of each thing an earlier one of its group, or itself.
    earlier: Vec<usize>,
}

impl Linked {
    /// So many things, none of them linked.
    pub(crate) fn new(count: usize) -> Self {
        Self { earlier: (0..count).collect() }
    }

    /// The group of a thing, by the first thing in it.
    pub(crate) fn group_of(&mut self, mut i: usize) -> usize {
        while self.earlier[i] != i {
            self.earlier[i] = self.earlier[self.earlier[i]];
            i = self.earlier[i];
        }
        i
    }

    /// Makes one group of those of two things.
    pub(crate) fn link(&mut self, a: usize, b: usize) {
        let (a, b) = (self.group_of(a), self.group_of(b));
        self.earlier[a.max(b)] = a.min(b);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_group_is_named_by_its_first_thing_whatever_the_order_of_the_links() {
        for links in [[(4, 2), (2, 0), (5, 3)], [(5, 3), (0, 4), (4, 2)]] {
            let mut linked = Linked::new(6);
            links.iter().for_each(|(a, b)| linked.link(*a, *b));
            let groups: Vec<usize> = (0..6).map(|i| linked.group_of(i)).collect();
            assert_eq!(groups, [0, 1, 0, 3, 0, 3], "{links:?}");
        }
    }
}

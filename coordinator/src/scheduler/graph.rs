//! Who waits for whom, as flat arrays in both directions, and the longest way to the end of the run.

use super::ids::Millis;
use super::spec::ItemSpec;

/// Edges between the items of one run. Four bytes for each edge and direction.
#[derive(Debug, Default)]
pub(super) struct Graph {
    upstream: Edges,
    downstream: Edges,
}

/// Neighbour lists, one after the other; `starts[i]..starts[i + 1]` are those of item `i`.
#[derive(Debug, Default)]
struct Edges {
    starts: Vec<u32>,
    targets: Vec<u32>,
}

impl Graph {
    /// Reads the edges of a run. Edges that do not point backwards cannot come from a checked plan and are
    /// dropped, so that no cycle can get in.
    pub(super) fn new(items: &[ItemSpec]) -> Self {
        let edges = || {
            items.iter().enumerate().flat_map(|(index, item)| {
                let own = index as u32;
                item.upstream
                    .iter()
                    .filter(move |up| **up < own)
                    .map(move |up| (own, *up))
            })
        };
        Self {
            upstream: Edges::gather(items.len(), edges()),
            downstream: Edges::gather(items.len(), edges().map(|(own, up)| (up, own))),
        }
    }

    /// Items that `index` reads from.
    pub(super) fn upstream(&self, index: u32) -> &[u32] {
        self.upstream.of(index)
    }

    /// Items that read from `index`, in plan order.
    pub(super) fn downstream(&self, index: u32) -> &[u32] {
        self.downstream.of(index)
    }

    /// For each item, the longest sum of durations along a path that starts behind it (its own duration is not
    /// counted). One pass in reverse topological order: the longest-path step of the critical path method.
    pub(super) fn tails(&self, expected_ms: impl Fn(u32) -> Millis) -> Vec<Millis> {
        let count = self.upstream.starts.len().saturating_sub(1);
        let mut tails = vec![0; count];
        for index in (0..count as u32).rev() {
            let path = expected_ms(index).saturating_add(tails[index as usize]);
            for up in self.upstream(index) {
                let tail: &mut Millis = &mut tails[*up as usize];
                *tail = path.max(*tail);
            }
        }
        tails
    }
}

impl Edges {
    fn gather(count: usize, edges: impl Iterator<Item = (u32, u32)> + Clone) -> Self {
        let mut starts = vec![0u32; count + 1];
        for (from, _) in edges.clone() {
            starts[from as usize + 1] += 1;
        }
        for index in 0..count {
            starts[index + 1] += starts[index];
        }
        let mut next = starts.clone();
        let mut targets = vec![0; starts[count] as usize];
        for (from, to) in edges {
            targets[next[from as usize] as usize] = to;
            next[from as usize] += 1;
        }
        Self { starts, targets }
    }

    fn of(&self, index: u32) -> &[u32] {
        let index = index as usize;
        &self.targets[self.starts[index] as usize..self.starts[index + 1] as usize]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn items(upstream: &[&[u32]]) -> Vec<ItemSpec> {
        upstream
            .iter()
            .map(|up| ItemSpec {
                upstream: up.to_vec(),
                ..ItemSpec::default()
            })
            .collect()
    }

    #[test]
    fn edges_are_seen_from_both_ends() {
        let graph = Graph::new(&items(&[&[], &[0], &[0], &[1, 2]]));
        assert_eq!(graph.downstream(0), [1, 2]);
        assert_eq!(graph.upstream(3), [1, 2]);
        assert!(graph.downstream(3).is_empty());
    }

    #[test]
    fn tails_take_the_longer_way() {
        let graph = Graph::new(&items(&[&[], &[0], &[0], &[1, 2]]));
        let expected = [5, 1, 10, 2];
        assert_eq!(graph.tails(|index| expected[index as usize]), [12, 2, 2, 0]);
    }

    #[test]
    fn an_edge_that_does_not_point_backwards_is_dropped() {
        let graph = Graph::new(&items(&[&[1], &[1, 7]]));
        assert!(graph.upstream(0).is_empty());
        assert!(graph.upstream(1).is_empty());
    }
}

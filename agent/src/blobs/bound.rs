//! Which blobs of the cache must go. Pure: time is a counter of uses.

use std::collections::HashMap;

use tidemill_proto::Digest;

/// What the cache holds, and who needs it.
#[derive(Debug)]
pub(super) struct Bound {
    limit_bytes: u64,
    total_bytes: u64,
    uses: u64,
    blobs: HashMap<Digest, Kept>,
}

#[derive(Debug)]
struct Kept {
    size: u64,
    last_use: u64,
    holders: u32,
}

impl Bound {
    pub(super) fn new(limit_bytes: u64) -> Self {
        Self {
            limit_bytes,
            total_bytes: 0,
            uses: 0,
            blobs: HashMap::new(),
        }
    }

    /// A blob is in the cache, new or again.
    pub(super) fn note(&mut self, digest: Digest, size: u64) {
        self.uses += 1;
        let kept = self.blobs.entry(digest).or_insert(Kept {
            size: 0,
            last_use: 0,
            holders: 0,
        });
        self.total_bytes += size - std::mem::replace(&mut kept.size, size).min(size);
        kept.last_use = self.uses;
    }

    /// Somebody needs it; false: it is not here.
    pub(super) fn hold(&mut self, digest: Digest) -> bool {
        self.uses += 1;
        let Some(kept) = self.blobs.get_mut(&digest) else {
            return false;
        };
        kept.holders += 1;
        kept.last_use = self.uses;
        true
    }

    /// One of those who needed it no longer does.
    pub(super) fn release(&mut self, digest: Digest) {
        if let Some(kept) = self.blobs.get_mut(&digest) {
            kept.holders = kept.holders.saturating_sub(1);
        }
    }

    /// It is gone, whoever needed it.
    pub(super) fn forget(&mut self, digest: Digest) {
        if let Some(kept) = self.blobs.remove(&digest) {
            self.total_bytes -= kept.size;
        }
    }

    /// Takes out what must go so that the rest is within the limit: those that nobody needs, longest unused
    /// first. May be too little while much is needed.
    pub(super) fn evict(&mut self) -> Vec<Digest> {
        if self.total_bytes <= self.limit_bytes {
            return Vec::new();
        }
        let mut free: Vec<_> = self.blobs.iter().filter(|(_, kept)| kept.holders == 0).collect();
        free.sort_unstable_by_key(|(_, kept)| kept.last_use);
        let mut over = self.total_bytes - self.limit_bytes;
        let mut gone = Vec::new();
        for (digest, kept) in free {
            if over == 0 {
                break;
            }
            over = over.saturating_sub(kept.size);
            gone.push(*digest);
        }
        gone.iter().for_each(|digest| self.forget(*digest));
        gone
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_longest_unused_goes_first_and_what_is_needed_stays() {
        let digest = |n: u8| Digest::of(&[n]);
        let mut bound = Bound::new(100);
        (1..=3).for_each(|n| bound.note(digest(n), 40));
        assert!(bound.hold(digest(1)), "needed, and now the one used last");
        assert!(!bound.hold(digest(9)));
        assert_eq!(bound.evict(), [digest(2)]);
        assert_eq!(bound.evict(), []);
        bound.note(digest(4), 90);
        assert_eq!(
            bound.evict(),
            [digest(3), digest(4)],
            "all that may go, though 1 alone would fit"
        );
        bound.release(digest(1));
        bound.note(digest(1), 40);
        assert_eq!(bound.total_bytes, 40);
    }
}

//! Which blobs of the cache must go. Pure.

use std::collections::HashSet;
use std::time::SystemTime;

use tidemill_proto::Digest;

/// A blob of the cache.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Kept {
    /// When somebody last needed it.
    pub last_use: SystemTime,
    pub digest: Digest,
    /// Bytes.
    pub size: u64,
}

/// Picks what must go so that the rest is within `limit_bytes`: those that nobody holds, longest unused first. May be
/// too little while much is held.
pub(super) fn must_go(mut kept: Vec<Kept>, held: &HashSet<Digest>, limit_bytes: u64) -> Vec<Kept> {
    let total_bytes: u64 = kept.iter().map(|kept| kept.size).sum();
    let mut over = total_bytes.saturating_sub(limit_bytes);
    kept.sort_unstable();
    kept.retain(|kept| {
        let goes = over > 0 && !held.contains(&kept.digest);
        if goes {
            over = over.saturating_sub(kept.size);
        }
        goes
    });
    kept
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;

    #[test]
    fn the_longest_unused_goes_first_and_what_is_held_stays() {
        let digest = |n: u8| Digest::of(&[n]);
        let kept = |n: u8, used: u64, size: u64| Kept {
            last_use: SystemTime::UNIX_EPOCH + Duration::from_secs(used),
            digest: digest(n),
            size,
        };
        let all = vec![kept(1, 30, 40), kept(2, 10, 40), kept(3, 20, 40)];
        let gone = |held: &[u8], limit| -> Vec<Digest> {
            let held = held.iter().map(|n| digest(*n)).collect();
            let gone = must_go(all.clone(), &held, limit);
            gone.into_iter().map(|kept| kept.digest).collect()
        };
        assert_eq!(gone(&[], 120), []);
        assert_eq!(gone(&[], 119), [digest(2)]);
        assert_eq!(gone(&[2], 80), [digest(3)]);
        assert_eq!(gone(&[2], 10), [digest(3), digest(1)], "all that may go");
        assert_eq!(gone(&[1, 2, 3], 0), []);
    }
}

//! Room on the coordinator's own disk: nothing is placed while too little of it is left, since results that cannot be
//! recorded are lost work. What runs meanwhile still has the part that is kept back.

use std::path::Path;

use tidemill_store::backend::Address;

use super::Engine;
use crate::scheduler::Event;

/// Kept back where nothing else is set: so much, or this share of the disk if that is less.
const KEPT_BYTES: u64 = 1 << 30;
const KEPT_SHARE: u64 = 20;
/// Placing goes on once so much more than what is kept is free: not to and fro with every result.
const CLEARANCE_SHARE: u64 = 10;

/// Free and all bytes of a disk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Disk {
    free_bytes: u64,
    total_bytes: u64,
}

impl Disk {
    /// `None`: the system does not say.
    fn of(folder: &Path) -> Option<Self> {
        Some(Self {
            free_bytes: fs4::available_space(folder).ok()?,
            total_bytes: fs4::total_space(folder).ok()?,
        })
    }

    fn kept_bytes(self, set: Option<u64>) -> u64 {
        set.unwrap_or_else(|| KEPT_BYTES.min(self.total_bytes / KEPT_SHARE))
    }

    /// Why nothing is placed, if so; `held`: nothing was placed until now.
    fn refusal(self, folder: &Path, set: Option<u64>, held: bool) -> Option<String> {
        let kept = self.kept_bytes(set);
        let wanted = if held { kept + kept / CLEARANCE_SHARE } else { kept };
        (self.free_bytes < wanted).then(|| {
            format!(
                "nothing is started: the coordinator's disk under {} has {} free, and {} are kept back",
                folder.display(),
                amount(self.free_bytes),
                amount(kept)
            )
        })
    }
}

fn amount(bytes: u64) -> String {
    const MIB: f64 = 1024.0 * 1024.0;
    match bytes as f64 / MIB {
        mib if mib >= 1024.0 => format!("{:.1} GiB", mib / 1024.0),
        mib => format!("{mib:.1} MiB"),
    }
}

impl Engine {
    /// Looks at the disks of record and store, and holds or frees placement.
    pub(super) fn look_at_room(&mut self) {
        let held = self.no_room.is_some();
        // A share is a disk, too; a bucket's room is its provider's.
        let store = match &self.config.store {
            Address::Folder(folder) => Some(folder),
            Address::Share(share) => Some(&share.folder),
            Address::Bucket(_) => None,
        };
        let refusal = std::iter::once(&self.config.data)
            .chain(store)
            .find_map(|folder| Disk::of(folder)?.refusal(folder, self.config.keep_disk_bytes, held));
        match (&refusal, held) {
            (Some(why), false) => {
                tracing::warn!("{why}; it goes on by itself once there is room");
                self.step(Event::Hold { held: true });
            }
            (None, true) => {
                tracing::info!("there is room on the coordinator's disk again: items are placed");
                self.step(Event::Hold { held: false });
            }
            _ => {}
        }
        self.no_room = refusal;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MIB: u64 = 1 << 20;

    fn refusal(free_mib: u64, total_mib: u64, set: Option<u64>, held: bool) -> Option<String> {
        let disk = Disk {
            free_bytes: free_mib * MIB,
            total_bytes: total_mib * MIB,
        };
        disk.refusal(Path::new("/srv/mill"), set, held)
    }

    #[test]
    fn a_twentieth_is_kept_back_but_no_more_than_a_gibibyte_or_what_was_set() {
        assert_eq!(refusal(6, 100, None, false), None);
        assert!(refusal(4, 100, None, false).is_some());
        assert_eq!(refusal(1025, 1 << 20, None, false), None);
        assert_eq!(
            refusal(512, 1 << 20, None, false).unwrap(),
            "nothing is started: the coordinator's disk under /srv/mill has 512.0 MiB free, and 1.0 GiB are kept back"
        );
        assert!(refusal(4000, 1 << 20, Some(5000 * MIB), false).is_some());
        assert_eq!(refusal(0, 1 << 20, Some(0), false), None);
    }

    #[test]
    fn a_little_more_room_has_to_come_back_before_it_goes_on() {
        assert_eq!(refusal(105, 1 << 20, Some(100 * MIB), false), None);
        assert!(refusal(105, 1 << 20, Some(100 * MIB), true).is_some());
        assert_eq!(refusal(110, 1 << 20, Some(100 * MIB), true), None);
    }
}

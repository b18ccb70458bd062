//! The record in a map: for simulations and tests. "On disk" means in the map.

use std::collections::BTreeMap;
use std::ops::{Bound, ControlFlow};
use std::sync::{PoisonError, RwLock};

use super::{Op, Record, Result, Scan, Visitor, check_rows};

/// Rows in a map.
#[derive(Debug, Default)]
pub struct MemoryRecord {
    rows: RwLock<BTreeMap<Vec<u8>, Vec<u8>>>,
}

impl Record for MemoryRecord {
    fn commit(&self, ops: &[Op]) -> Result<()> {
        check_rows(ops)?;
        let mut rows = self.rows.write().unwrap_or_else(PoisonError::into_inner);
        for op in ops {
            match op {
                Op::Put { key, value } => rows.insert(key.clone(), value.clone()),
                Op::Delete { key } => rows.remove(key),
            };
        }
        Ok(())
    }

    fn get(&self, key: &[u8]) -> Result<Option<Vec<u8>>> {
        Ok(self
            .rows
            .read()
            .unwrap_or_else(PoisonError::into_inner)
            .get(key)
            .cloned())
    }

    fn visit(&self, scan: &Scan, each: Visitor<'_>) -> Result<()> {
        let rows = self.rows.read().unwrap_or_else(PoisonError::into_inner);
        let (low, high) = scan.bounds();
        let high = high.map_or(Bound::Unbounded, Bound::Excluded);
        let mut range = rows.range((Bound::Included(low), high));
        for _ in 0..scan.limit {
            let row = if scan.reverse {
                range.next_back()
            } else {
                range.next()
            };
            match row {
                Some((key, value)) if each(key, value) == ControlFlow::Continue(()) => {}
                _ => break,
            }
        }
        Ok(())
    }
}

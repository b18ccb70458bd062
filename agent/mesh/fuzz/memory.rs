//! An allocator that counts for the thread at work how much is held at once.

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;

/// Passes everything on to the system.
pub struct Counting;

thread_local! {
    static HELD: Cell<isize> = const { Cell::new(0) };
    static MOST: Cell<isize> = const { Cell::new(0) };
}

fn count(bytes: isize) {
    // A thread that is going away has no counters any more, and nothing to measure.
    let _gone = HELD.try_with(|held| {
        held.set(held.get() + bytes);
        let _gone = MOST.try_with(|most| most.set(most.get().max(held.get())));
    });
}

// SAFETY: every call is passed on to the system's allocator unchanged, and counting allocates nothing.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        count(layout.size() as isize);
        // SAFETY: the caller keeps the contract.
        unsafe { System.alloc(layout) }
    }

    unsafe fn alloc_zeroed(&self, layout: Layout) -> *mut u8 {
        count(layout.size() as isize);
        // SAFETY: the caller keeps the contract.
        unsafe { System.alloc_zeroed(layout) }
    }

    unsafe fn dealloc(&self, place: *mut u8, layout: Layout) {
        count(-(layout.size() as isize));
        // SAFETY: the caller keeps the contract.
        unsafe { System.dealloc(place, layout) }
    }

    unsafe fn realloc(&self, place: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        count(size as isize - layout.size() as isize);
        // SAFETY: the caller keeps the contract.
        unsafe { System.realloc(place, layout, size) }
    }
}

/// From here on this thread's most is counted anew.
pub fn start() {
    HELD.with(|held| held.set(0));
    MOST.with(|most| most.set(0));
}

/// The most bytes that this thread held at once beyond what it held at the start.
pub fn most_since_start() -> usize {
    MOST.with(|most| most.get().max(0) as usize)
}

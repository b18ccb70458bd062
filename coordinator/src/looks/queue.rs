//! Pictures that are wished for. What somebody looks at goes before what nobody asked for yet; newest wishes of people
//! first, since people scroll on.

use std::collections::{HashSet, VecDeque};
use std::sync::{Mutex, MutexGuard, PoisonError};

use tidemill_proto::v1::PictureWish;
use tokio::sync::Notify;

/// Wishes beyond this are forgotten: whoever looks again wishes again.
const MOST: usize = 20_000;

/// Wishes that wait for a program that can draw.
#[derive(Debug, Default)]
pub struct Queue {
    inner: Mutex<Inner>,
    more: Notify,
}

#[derive(Debug, Default)]
struct Inner {
    asked: VecDeque<PictureWish>,
    eager: VecDeque<PictureWish>,
    known: HashSet<Vec<u8>>,
}

impl Queue {
    fn lock(&self) -> MutexGuard<'_, Inner> {
        // Each change is whole before anything can panic.
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Somebody looks at it.
    pub fn ask(&self, wish: PictureWish) {
        self.add(wish, true);
    }

    /// Somebody may look at it later.
    pub fn prepare(&self, wish: PictureWish) {
        self.add(wish, false);
    }

    fn add(&self, wish: PictureWish, asked: bool) {
        let mut inner = self.lock();
        if inner.known.len() >= MOST {
            return;
        }
        if !inner.known.insert(wish.digest.clone()) {
            // It is drawn already, or waits: then only its place may change.
            let place = inner
                .eager
                .iter()
                .position(|waiting| waiting.digest == wish.digest);
            if let Some(place) = place.filter(|_| asked) {
                inner.eager.remove(place);
                inner.asked.push_front(wish);
            }
            return;
        }
        if asked {
            inner.asked.push_front(wish);
        } else {
            inner.eager.push_back(wish);
        }
        drop(inner);
        self.more.notify_one();
    }

    /// The next wish; it stays known until [`Queue::settled`] or [`Queue::give_back`].
    pub async fn next(&self) -> PictureWish {
        loop {
            let more = self.more.notified();
            {
                let mut inner = self.lock();
                let wish = inner.asked.pop_front().or_else(|| inner.eager.pop_front());
                if let Some(wish) = wish {
                    if !inner.asked.is_empty() || !inner.eager.is_empty() {
                        self.more.notify_one();
                    }
                    return wish;
                }
            }
            more.await;
        }
    }

    /// It was drawn, or cannot be.
    pub fn settled(&self, wish: &PictureWish) {
        self.lock().known.remove(&wish.digest);
    }

    /// Whoever should draw it went away.
    pub fn give_back(&self, wish: PictureWish) {
        self.settled(&wish);
        self.prepare(wish);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wish(name: u8) -> PictureWish {
        PictureWish {
            digest: vec![name],
            ..PictureWish::default()
        }
    }

    #[tokio::test]
    async fn what_is_looked_at_goes_first_and_each_only_once() {
        let queue = Queue::default();
        for name in [1, 2, 3] {
            queue.prepare(wish(name));
        }
        queue.ask(wish(3));
        queue.ask(wish(4));
        queue.ask(wish(4));
        let mut order = Vec::new();
        for _ in 0..4 {
            order.push(queue.next().await.digest[0]);
        }
        assert_eq!(order, [4, 3, 1, 2]);
        queue.ask(wish(1));
        let idle = tokio::time::timeout(std::time::Duration::from_millis(20), queue.next()).await;
        assert!(idle.is_err(), "it is being drawn already");
        queue.give_back(wish(1));
        assert_eq!(queue.next().await, wish(1));
    }
}

//! A network link that a test can cut: a relay on loopback that stops passing bytes in one direction or both, and
//! passes them on when it is mended. As on a real link, the two ends notice nothing but silence. It counts what passes.

use std::io::{Read as _, Write as _};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// A way through the link.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// What the coordinator would hear.
    Up,
    /// What the agent would hear.
    Down,
    /// Both.
    Both,
}

/// The relay. Ends with the test's process.
pub struct Link {
    /// Where agents connect.
    pub address: String,
    state: Arc<State>,
}

#[derive(Default)]
struct State {
    up_is_cut: AtomicBool,
    down_is_cut: AtomicBool,
    is_gone: AtomicBool,
    up_bytes: AtomicU64,
    down_bytes: AtomicU64,
    /// Every connection, and both ends of it, that was ever made.
    connections: Mutex<Vec<TcpStream>>,
}

impl Link {
    /// A link to `target`, which need not listen yet.
    pub fn to(target: &str) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
        let address = listener.local_addr().expect("its address").to_string();
        let state = Arc::new(State::default());
        let (shared, target) = (state.clone(), target.to_owned());
        std::thread::spawn(move || {
            for near in listener.incoming().map_while(Result::ok) {
                if shared.is_gone.load(Ordering::SeqCst) {
                    return;
                }
                let (shared, target) = (shared.clone(), target.clone());
                std::thread::spawn(move || relay(near, &target, &shared));
            }
        });
        Self { address, state }
    }

    /// Cuts the link.
    pub fn cut(&self, way: Way) {
        self.set(way, true);
    }

    /// Mends the link.
    pub fn mend(&self) {
        self.set(Way::Both, false);
    }

    /// Bytes that have passed, up and down.
    pub fn passed(&self) -> (u64, u64) {
        let State {
            up_bytes, down_bytes, ..
        } = &*self.state;
        (up_bytes.load(Ordering::SeqCst), down_bytes.load(Ordering::SeqCst))
    }

    /// Ends all connections at once, as a router does that is started again; new ones get through.
    pub fn sever(&self) {
        let mut connections = self.state.connections.lock().expect("no thread panics with it");
        for stream in connections.drain(..) {
            // It may have ended by itself.
            let _ = stream.shutdown(Shutdown::Both);
        }
    }

    fn set(&self, way: Way, is_cut: bool) {
        if way != Way::Down {
            self.state.up_is_cut.store(is_cut, Ordering::SeqCst);
        }
        if way != Way::Up {
            self.state.down_is_cut.store(is_cut, Ordering::SeqCst);
        }
    }
}

impl Drop for Link {
    fn drop(&mut self) {
        self.mend();
        self.state.is_gone.store(true, Ordering::SeqCst);
        // Wakes the listener.
        let _ = TcpStream::connect(&self.address);
    }
}

fn relay(near: TcpStream, target: &str, state: &Arc<State>) {
    // While the link is cut, no connection gets through either.
    hold(&state.up_is_cut, state);
    hold(&state.down_is_cut, state);
    let Ok(far) = TcpStream::connect(target) else {
        return;
    };
    let (Ok(near_too), Ok(far_too)) = (near.try_clone(), far.try_clone()) else {
        return;
    };
    if let (Ok(near), Ok(far)) = (near.try_clone(), far.try_clone()) {
        let mut connections = state.connections.lock().expect("no thread panics with it");
        connections.extend([near, far]);
    }
    let shared = state.clone();
    let down = std::thread::spawn(move || {
        pass(
            far_too,
            near_too,
            &shared.down_is_cut,
            &shared.down_bytes,
            &shared,
        );
    });
    pass(near, far, &state.up_is_cut, &state.up_bytes, state);
    let _ = down.join();
}

fn pass(mut from: TcpStream, mut to: TcpStream, is_cut: &AtomicBool, bytes: &AtomicU64, state: &State) {
    let mut buffer = vec![0; 64 * 1024];
    loop {
        let read = from.read(&mut buffer).unwrap_or(0);
        hold(is_cut, state);
        bytes.fetch_add(read as u64, Ordering::SeqCst);
        if read == 0 || to.write_all(&buffer[..read]).is_err() {
            // Ends pass the link as bytes do.
            let _ = to.shutdown(Shutdown::Write);
            let _ = from.shutdown(Shutdown::Read);
            return;
        }
    }
}

fn hold(is_cut: &AtomicBool, state: &State) {
    while is_cut.load(Ordering::SeqCst) && !state.is_gone.load(Ordering::SeqCst) {
        std::thread::sleep(Duration::from_millis(5));
    }
}

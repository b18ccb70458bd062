//! A studio's coordinator, over the network.

use std::path::Path;
use std::time::Duration;

use tidemill_agent::reach::{self, Membership, ReachError};

use crate::failure::{Failure, chain};
use crate::rpc::Rpc;

/// Connects to `host:port`, with this user's membership below the data folder if there is one.
pub(super) async fn connect(address: &str, data: &Path) -> Result<Rpc, Failure> {
    let memberships = Membership::folder_of(data);
    let way = reach::way(&memberships, address)
        .map_err(failure)?
        .with(|endpoint| {
            endpoint
                .connect_timeout(Duration::from_secs(5))
                .tcp_nodelay(true)
                // A watch may be silent for hours: a dead connection must show all the same.
                .http2_keep_alive_interval(Duration::from_secs(20))
                .keep_alive_timeout(Duration::from_secs(10))
                .initial_stream_window_size(4 * 1024 * 1024)
                .initial_connection_window_size(16 * 1024 * 1024)
        });
    way.check().map_err(failure)?;
    let hint = if way.is_secured() {
        "check that it runs, and that it still has the certificates with which this user joined; \
         `tidemill join INVITATION` joins again"
    } else {
        "check that it runs and that the address is right: `--at HOST:PORT` or TIDEMILL_AT; if it was set up for \
         other machines, join it first: `tidemill join INVITATION`; without an address, tidemill runs on this machine"
    };
    let channel = way.connect().await.map_err(|error| {
        Failure::unreachable(format!(
            "the coordinator at {address} cannot be reached: {}",
            chain(&error)
        ))
        .hint(hint)
    })?;
    // While the certificate is good, a renewal that does not come about can wait for the next command.
    let _ = way.renew_if_due().await;
    let rpc = Rpc::over(channel);
    let rpc = if reach::is_on_this_machine(address) {
        rpc
    } else {
        rpc.packing()
    };
    // One that speaks TLS to a caller in plain text, or the other way round, only fails at the first call.
    match rpc.about().await {
        Ok(_) => Ok(rpc),
        Err(failure) if failure.hint.is_none() => Err(failure.hint(hint)),
        Err(failure) => Err(failure),
    }
}

/// What keeps this user from a coordinator, as a command's failure.
pub(crate) fn failure(error: ReachError) -> Failure {
    match error {
        ReachError::Unreachable { .. }
        | ReachError::Expired { .. }
        | ReachError::AnotherCoordinator { .. }
        | ReachError::Refused { .. } => Failure::unreachable(chain(&error)),
        _ => Failure::wrong(chain(&error)),
    }
}

//! A studio's coordinator, over the network.

use std::time::Duration;

use tonic::transport::Endpoint;

use crate::failure::{Failure, chain};
use crate::rpc::Rpc;

/// Connects to `host:port`.
pub(super) async fn connect(address: &str) -> Result<Rpc, Failure> {
    let endpoint = Endpoint::from_shared(format!("http://{address}"))
        .map_err(|error| Failure::wrong(format!("`{address}` is no address: {}", chain(&error))))?
        .connect_timeout(Duration::from_secs(5))
        .tcp_nodelay(true)
        // A watch may be silent for hours: a dead connection must show all the same.
        .http2_keep_alive_interval(Duration::from_secs(20))
        .keep_alive_timeout(Duration::from_secs(10))
        .initial_stream_window_size(4 * 1024 * 1024)
        .initial_connection_window_size(16 * 1024 * 1024);
    let channel = endpoint.connect().await.map_err(|error| {
        Failure::unreachable(format!(
            "the coordinator at {address} cannot be reached: {}",
            chain(&error)
        ))
        .hint(
            "check that it runs and that the address is right: `--at HOST:PORT` or TIDEMILL_AT; \
             without either, tidemill runs on this machine",
        )
    })?;
    Ok(Rpc::over(channel))
}

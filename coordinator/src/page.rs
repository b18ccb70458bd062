//! The live page of this coordinator: a caller of its own services, over a pipe in memory, as any other caller is.

use std::io;

use hyper_util::rt::TokioIo;
use tidemill_page::live::{self, PageError};
use tokio::io::DuplexStream;
use tokio::net::TcpListener;
use tokio::sync::mpsc;
use tokio_stream::StreamExt as _;
use tokio_stream::wrappers::UnboundedReceiverStream;
use tokio_util::sync::CancellationToken;
use tonic::transport::{Channel, Endpoint};

use crate::Coordinator;

/// Bytes that may be on their way in each direction.
const PIPE_BYTES: usize = 1024 * 1024;

impl Coordinator {
    /// Serves the live page on `listener` until `shutdown` is cancelled; `person` signs what is ordered there.
    ///
    /// # Errors
    /// When the server fails.
    pub async fn serve_page(
        &self,
        listener: TcpListener,
        person: String,
        shutdown: CancellationToken,
    ) -> Result<(), PageError> {
        let (connections, incoming) = mpsc::unbounded_channel::<DuplexStream>();
        let own = shutdown.child_token();
        let serving = self.serve(
            UnboundedReceiverStream::new(incoming).map(Ok::<_, io::Error>),
            own.clone(),
        );
        let page = async {
            let served = live::serve(listener, channel(connections), person, shutdown).await;
            own.cancel();
            served
        };
        let (served, page) = tokio::join!(serving, page);
        served.map_err(|error| PageError::Serve(io::Error::other(error)))?;
        page
    }
}

/// A channel that makes a pipe whenever it connects.
fn channel(connections: mpsc::UnboundedSender<DuplexStream>) -> Channel {
    let connect = tower::service_fn(move |_| {
        let (ours, theirs) = tokio::io::duplex(PIPE_BYTES);
        let sent = connections.send(theirs);
        std::future::ready(match sent {
            Ok(()) => Ok(TokioIo::new(ours)),
            Err(_) => Err(io::Error::new(
                io::ErrorKind::ConnectionRefused,
                "the coordinator has ended",
            )),
        })
    });
    Endpoint::from_static("http://own.invalid")
        .initial_stream_window_size(4 * 1024 * 1024)
        .initial_connection_window_size(16 * 1024 * 1024)
        .connect_with_connector_lazy(connect)
}

//! A connection to a coordinator in the same process: the same protocol as over a network, through memory.

use std::io;

use futures::Stream;
use hyper_util::rt::TokioIo;
use tokio::io::DuplexStream;
use tokio::sync::mpsc;
use tonic::transport::{Channel, Endpoint, Error};

/// Bytes that may be on their way in each direction.
const PIPE_BYTES: usize = 1024 * 1024;

/// Makes connections to one server.
#[derive(Debug, Clone)]
pub(super) struct Connector(mpsc::UnboundedSender<DuplexStream>);

/// A connector, and the connections that the server is to serve.
pub(super) fn pipe() -> (
    Connector,
    impl Stream<Item = io::Result<DuplexStream>> + Send + 'static,
) {
    let (sender, receiver) = mpsc::unbounded_channel();
    let incoming = futures::stream::unfold(receiver, |mut receiver| async move {
        let connection = receiver.recv().await?;
        Some((Ok(connection), receiver))
    });
    (Connector(sender), incoming)
}

impl Connector {
    /// A channel that is connected.
    pub(super) async fn connect(&self) -> Result<Channel, Error> {
        endpoint().connect_with_connector(self.service()).await
    }

    /// A channel that connects at its first call, and again when a connection is lost.
    pub(super) fn connect_lazy(&self) -> Channel {
        endpoint().connect_with_connector_lazy(self.service())
    }

    fn service(
        &self,
    ) -> impl tower::Service<
        tonic::transport::Uri,
        Response = TokioIo<DuplexStream>,
        Error = io::Error,
        Future = futures::future::Ready<io::Result<TokioIo<DuplexStream>>>,
    > + Send
    + 'static {
        let sender = self.0.clone();
        tower::service_fn(move |_| {
            let (ours, theirs) = tokio::io::duplex(PIPE_BYTES);
            let sent = sender.send(theirs);
            futures::future::ready(match sent {
                Ok(()) => Ok(TokioIo::new(ours)),
                Err(_) => Err(io::Error::new(
                    io::ErrorKind::ConnectionRefused,
                    "the coordinator has ended",
                )),
            })
        })
    }
}

fn endpoint() -> Endpoint {
    // Large windows: nothing is gained by holding back what is in memory anyway.
    Endpoint::from_static("http://own.invalid")
        .initial_stream_window_size(4 * 1024 * 1024)
        .initial_connection_window_size(16 * 1024 * 1024)
}

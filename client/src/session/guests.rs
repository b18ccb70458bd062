//! Other processes that use this owner: they are let in over a socket, and counted, so that the owner does not
//! go while one of them still listens.

use std::io;
use std::path::Path;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;

use futures::Stream;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tonic::transport::server::Connected;

use super::owner;
use crate::os::OwnerStream;

/// Every connection holds one clone.
#[derive(Debug, Clone)]
pub(super) struct Guests(Arc<()>);

impl Guests {
    /// Listens, and publishes where.
    pub(super) fn listen(
        data: &Path,
        works: bool,
        address_file: &Path,
    ) -> io::Result<(Self, impl Stream<Item = io::Result<GuestStream>> + Send + 'static)> {
        let (listener, address) = owner::listen(data, works)?;
        owner::publish(&address, address_file)?;
        let guests = Self(Arc::new(()));
        let counted = guests.clone();
        let incoming = futures::stream::unfold((listener, counted), |(listener, counted)| async move {
            let accepted = match listener.accept().await {
                Ok(stream) => Ok(GuestStream {
                    stream,
                    _counted: counted.clone(),
                }),
                Err(error) => {
                    // Out of file handles, say: a pause keeps this from turning in circles.
                    tokio::time::sleep(Duration::from_millis(100)).await;
                    Err(error)
                }
            };
            Some((accepted, (listener, counted)))
        });
        Ok((guests, incoming))
    }

    /// Completes when no connection is left.
    pub(super) async fn all_gone(&self) {
        // This one and the listener's.
        while Arc::strong_count(&self.0) > 2 {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    }
}

/// One counted connection.
#[derive(Debug)]
pub(super) struct GuestStream {
    stream: OwnerStream,
    _counted: Guests,
}

impl Connected for GuestStream {
    type ConnectInfo = ();
    fn connect_info(&self) {}
}

impl AsyncRead for GuestStream {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(cx, buf)
    }
}

impl AsyncWrite for GuestStream {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.stream).poll_write(cx, buf)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bufs: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.stream).poll_write_vectored(cx, bufs)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }
}

//! The live page: runs, the sheet as it fills, single items, agents, and the orders that the command line knows.
//!
//! # Layout
//! - [`calls`]: the coordinator's services as the page asks them.
//! - [`guard`]: who may ask: only this machine's own browser, and orders only from the page itself.
//! - [`home`]: runs and agents. [`run`]: one run. [`item`]: one item. [`orders`]: pause, resume, stop, again, sign-off.
//! - [`bytes`]: pictures and outputs. [`frame`]: what all pages share.
//!
//! The page needs no script to be read; the script only replaces parts that the server sends anew, and sends orders.

mod bytes;
mod calls;
mod frame;
mod guard;
mod home;
mod item;
mod orders;
mod run;

use std::io;
use std::net::SocketAddr;

use axum::Router;
use axum::http::{StatusCode, header};
use axum::middleware;
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;
use tonic::transport::Channel;

pub use calls::Calls;

/// Why the page cannot be served.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PageError {
    /// Others could reach it.
    #[error(
        "{0} can be reached from other machines: the page knows no passwords and listens only on a loopback address, as in 127.0.0.1:7421"
    )]
    Open(SocketAddr),
    /// The address cannot be had.
    #[error("the page cannot listen on {address}: {source}")]
    Listen {
        /// Where.
        address: SocketAddr,
        /// What the system said.
        source: io::Error,
    },
    /// The server failed.
    #[error("the page failed: {0}")]
    Serve(io::Error),
}

/// Listens on a loopback address; any other is refused.
///
/// # Errors
/// When the address is not loopback, or is taken.
pub async fn listen(address: SocketAddr) -> Result<TcpListener, PageError> {
    if !address.ip().is_loopback() {
        return Err(PageError::Open(address));
    }
    TcpListener::bind(address)
        .await
        .map_err(|source| PageError::Listen { address, source })
}

/// Serves the page until `ending`. `channel` reaches the coordinator; `person` signs what is ordered here.
///
/// # Errors
/// When the server fails.
pub async fn serve(
    listener: TcpListener,
    channel: Channel,
    person: String,
    ending: CancellationToken,
) -> Result<(), PageError> {
    let pages = router(Calls::over(channel, person, ending.clone()));
    axum::serve(listener, pages)
        .with_graceful_shutdown(async move { ending.cancelled().await })
        .await
        .map_err(PageError::Serve)
}

fn router(calls: Calls) -> Router {
    Router::new()
        .route("/", get(home::page))
        .route("/events", get(home::events))
        .route("/run/{run}", get(run::page))
        .route("/run/{run}/events", get(run::events))
        .route("/run/{run}/item/{scope}/{step}", get(item::page))
        .route("/run/{run}/log/{scope}/{step}", get(item::log))
        .route("/run/{run}/picture/{digest}/{kind}", get(bytes::picture))
        .route("/run/{run}/output/{digest}/{name}", get(bytes::output))
        .route("/run/{run}/order/{order}", post(orders::order))
        .route(
            "/style.css",
            get(|| async { asset("text/css; charset=utf-8", crate::STYLE) }),
        )
        .route(
            "/page.js",
            get(|| async { asset("text/javascript; charset=utf-8", include_str!("page.js")) }),
        )
        .route("/favicon.ico", get(|| async { StatusCode::NO_CONTENT }))
        .layer(middleware::from_fn(guard::guard))
        .with_state(calls)
}

fn asset(kind: &'static str, text: &'static str) -> Response {
    (
        [(header::CONTENT_TYPE, kind), (header::CACHE_CONTROL, "no-cache")],
        text,
    )
        .into_response()
}

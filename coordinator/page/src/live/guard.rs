//! Who may ask. The page listens on loopback only, but a browser on this machine also runs the scripts of other sites:
//! a name of theirs may be made to point here (so the Host must be this machine's), and their forms may be sent here (so
//! orders need a header that no foreign site can set without being asked first).

use axum::extract::Request;
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

/// The header that orders carry.
pub(super) const ORDER_HEADER: &str = "x-tidemill-order";

const POLICY: &str = "default-src 'none'; img-src 'self'; style-src 'self' 'unsafe-inline'; script-src 'self'; connect-src 'self'; \
                      form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

pub(super) async fn guard(request: Request, next: Next) -> Response {
    if !is_own_host(request.headers()) {
        return (
            StatusCode::MISDIRECTED_REQUEST,
            "this page answers only to its own address on this machine\n",
        )
            .into_response();
    }
    if request.method() != Method::GET && !request.headers().contains_key(ORDER_HEADER) {
        return (StatusCode::FORBIDDEN, "orders are taken from this page only\n").into_response();
    }
    let mut response = next.run(request).await;
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(POLICY));
    headers.insert(
        header::X_CONTENT_TYPE_OPTIONS,
        HeaderValue::from_static("nosniff"),
    );
    headers.insert(header::REFERRER_POLICY, HeaderValue::from_static("no-referrer"));
    response
}

fn is_own_host(headers: &HeaderMap) -> bool {
    let host = headers
        .get(header::HOST)
        .and_then(|host| host.to_str().ok())
        .unwrap_or("");
    let name = match host.strip_prefix('[') {
        Some(rest) => rest.split(']').next().unwrap_or(""),
        None => host.split(':').next().unwrap_or(""),
    };
    name.eq_ignore_ascii_case("localhost")
        || name
            .parse::<std::net::IpAddr>()
            .is_ok_and(|address| address.is_loopback())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_this_machines_own_names_are_answered() {
        let from = |host: &'static str| {
            let mut headers = HeaderMap::new();
            headers.insert(header::HOST, HeaderValue::from_static(host));
            is_own_host(&headers)
        };
        assert!(from("127.0.0.1:7421") && from("localhost") && from("[::1]:80") && from("127.0.0.9"));
        assert!(!from("harbour.example:7421") && !from("10.0.0.3") && !from("localhost.example"));
        assert!(!is_own_host(&HeaderMap::new()));
    }
}

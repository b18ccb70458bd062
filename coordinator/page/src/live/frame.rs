//! What all pages share: the frame around them, errors as pages, and parts that the script replaces.

use axum::http::StatusCode;
use axum::response::sse::Event;
use axum::response::{Html, IntoResponse, Response};
use maud::{DOCTYPE, Markup, html};
use tonic::{Code, Status};

/// A page. `events`: where the script listens for parts.
pub(super) fn page(
    title: &str,
    crumbs: &[(&str, &str)],
    events: Option<&str>,
    main: &Markup,
) -> Html<String> {
    let text = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) " · Tidemill" }
                link rel="stylesheet" href="/style.css";
                script src="/page.js" defer {}
            }
            body data-events=[events] {
                a.skip href="#main" { "To the content" }
                header {
                    nav aria-label="Where you are" {
                        ul {
                            li { a.mill href="/" { "Tidemill" } }
                            @for (address, text) in crumbs { li { a href=(address) { (text) } } }
                        }
                    }
                    h1 { (title) }
                }
                main #main { (main) }
                p.says #says role="status" aria-live="polite" {}
            }
        }
    };
    Html(text.into_string())
}

/// A refusal of the coordinator as a page.
#[derive(Debug)]
pub(super) struct Trouble(pub Status);

impl From<Status> for Trouble {
    fn from(status: Status) -> Self {
        Self(status)
    }
}

impl IntoResponse for Trouble {
    fn into_response(self) -> Response {
        let code = code_of(&self.0);
        let main = html! {
            p.reason { (self.0.message()) }
            p { a href="/" { "All runs" } }
        };
        (code, page("That did not work", &[], None, &main)).into_response()
    }
}

/// The status of HTTP that says the same.
pub(super) fn code_of(status: &Status) -> StatusCode {
    match status.code() {
        Code::NotFound => StatusCode::NOT_FOUND,
        Code::InvalidArgument | Code::OutOfRange => StatusCode::BAD_REQUEST,
        Code::FailedPrecondition | Code::AlreadyExists => StatusCode::CONFLICT,
        Code::PermissionDenied | Code::Unauthenticated => StatusCode::FORBIDDEN,
        Code::Unavailable => StatusCode::SERVICE_UNAVAILABLE,
        _ => StatusCode::INTERNAL_SERVER_ERROR,
    }
}

/// An event that replaces the inside of the element `id`.
pub(super) fn part(id: &str, inside: &Markup, state: Option<&str>) -> Event {
    let data = serde_json::json!({ "id": id, "html": inside.0, "state": state });
    Event::default().event("part").data(data.to_string())
}

/// The last event of a stream: the script does not connect again.
pub(super) fn end() -> Event {
    Event::default().event("end").data("{}")
}

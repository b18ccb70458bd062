//! Pictures and outputs. Both are named by what they hold, so a browser may keep them for good.

use axum::body::Body;
use axum::extract::{Path, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use tidemill_proto::Digest;
use tidemill_proto::v1::PictureWish;
use tonic::Status;

use super::calls::Calls;
use super::frame::Trouble;
use crate::facts::is_mesh;

const FOR_GOOD: &str = "private, max-age=31536000, immutable";

fn digest(text: &str) -> Result<Vec<u8>, Trouble> {
    let digest: Result<Digest, _> = text.parse();
    digest
        .map(|digest| digest.to_vec())
        .map_err(|_| Trouble(Status::invalid_argument(format!("{text} is no digest"))))
}

pub(super) async fn picture(
    State(calls): State<Calls>,
    Path((run, named, kind)): Path<(String, String, String)>,
) -> Result<Response, Trouble> {
    let extension = format!(".{kind}");
    let tags = if is_mesh(&extension) {
        calls.plan(&run).await?.tags.clone()
    } else {
        Vec::new()
    };
    let wish = PictureWish {
        digest: digest(&named)?,
        extension,
        tags,
        still: false,
    };
    Ok(match calls.picture(wish).await? {
        Some(picture) => (
            [
                (header::CONTENT_TYPE, "image/png"),
                (header::CACHE_CONTROL, FOR_GOOD),
            ],
            picture.png,
        )
            .into_response(),
        None => (StatusCode::NOT_FOUND, "there is no such picture yet\n").into_response(),
    })
}

pub(super) async fn output(
    State(calls): State<Calls>,
    Path((_run, named, file)): Path<(String, String, String)>,
) -> Result<Response, Trouble> {
    let bytes = calls.blob(&digest(&named)?).await?;
    // Only what cannot run in a browser is shown there; all else is a download, whatever it calls itself.
    let kind = match file.to_lowercase().ends_with(".png") && bytes.starts_with(b"\x89PNG") {
        true => "image/png",
        false => "application/octet-stream",
    };
    Ok((
        [(header::CONTENT_TYPE, kind), (header::CACHE_CONTROL, FOR_GOOD)],
        Body::from(bytes),
    )
        .into_response())
}

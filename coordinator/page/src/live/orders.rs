//! Orders of people, with the same rights as the command line. The answer is one sentence for the page.

use std::collections::HashMap;

use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use tidemill_proto::v1::{AgainRequest, SignOffRequest};
use tonic::Status;

use super::calls::{Calls, request};
use super::frame::code_of;

pub(super) async fn order(
    State(calls): State<Calls>,
    Path((run, order)): Path<(String, String)>,
    Query(query): Query<HashMap<String, String>>,
) -> Response {
    match obey(&calls, &run, &order, &query).await {
        Ok(says) => (StatusCode::OK, says).into_response(),
        Err(status) => (code_of(&status), status.message().to_owned()).into_response(),
    }
}

async fn obey(
    calls: &Calls,
    run: &str,
    order: &str,
    query: &HashMap<String, String>,
) -> Result<String, Status> {
    let mut runs = calls.runs.clone();
    match order {
        "pause" => {
            runs.pause(request(run)).await?;
            Ok(format!("{run} is paused: running items go on, no other starts"))
        }
        "resume" => {
            runs.resume(request(run)).await?;
            Ok(format!("{run} goes on"))
        }
        "stop" => {
            runs.stop(request(run)).await?;
            Ok(format!("{run} is stopped; finished items are kept"))
        }
        "again" => {
            let again = AgainRequest {
                run: run.to_owned(),
                patterns: query.get("item").cloned().into_iter().collect(),
                anew: false,
            };
            runs.again(again).await?;
            Ok(format!("{run} runs again"))
        }
        "approve" | "reject" => {
            let variant = query
                .get("variant")
                .ok_or_else(|| Status::invalid_argument("no variant is named"))?;
            let decided = SignOffRequest {
                run: run.to_owned(),
                // The page means one variant, whatever its name holds.
                variants: vec![variant.clone()],
                approved: order == "approve",
                note: query.get("note").cloned().unwrap_or_default(),
                person: calls.person.clone(),
            };
            let rows = calls.looks.clone().sign_off(decided).await?.into_inner().rows;
            let state = rows.first().map_or("decided", |row| row.state.as_str());
            Ok(format!("{variant} is {state}"))
        }
        other => Err(Status::not_found(format!("there is no order {other}"))),
    }
}

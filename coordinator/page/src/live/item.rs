//! One item: why it ran, its outputs large and side by side, its attempts, and its log as it is written.

use std::convert::Infallible;

use axum::extract::{Path, State};
use axum::response::IntoResponse;
use axum::response::sse::{Event, KeepAlive, Sse};
use maud::{Markup, html};
use tidemill_proto::v1::{Attempt, ItemRequest, ItemState, ItemView, LogRequest, MadeOutput, PictureWish};
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;

use super::calls::{Calls, hex, source};
use super::frame::{self, Trouble};
use crate::facts::{RunFacts, extension_of, figure_files_of, is_mesh};
use crate::figures::Figure;
use crate::sheet::{figure_list, state_mark};
use crate::words;

type Place = Path<(String, String, String)>;

pub(super) async fn page(
    State(calls): State<Calls>,
    Path((run, scope, step)): Place,
) -> Result<impl IntoResponse, Trouble> {
    let address = format!("{scope}/{step}");
    let row = calls.run(&run).await?;
    let name = row.run.clone();
    let request = ItemRequest {
        run: name.clone(),
        item: address.clone(),
    };
    let view = calls.runs.clone().show_item(request.clone()).await?.into_inner();
    let why = calls.runs.clone().why(request).await?.into_inner();
    let item = view.row.clone().unwrap_or_default();
    let facts = RunFacts {
        plan: (*calls.plan(&name).await?).clone(),
        ..RunFacts::default()
    };
    let wishes = facts.wishes(&item);
    let asked: Vec<PictureWish> = wishes.iter().map(|(_, wish)| wish.clone()).collect();
    let seen = calls.glance(&asked).await?;
    let mut figures: Vec<Figure> = Vec::new();
    for output in figure_files_of(&item) {
        figures.extend(calls.figures(output).await);
    }
    let again = matches!(
        item.state(),
        ItemState::Failed | ItemState::CutOff | ItemState::Stopped
    );
    let main = html! {
        p { (state_mark(item.state())) " " @if !item.reason.is_empty() { span.reason { (item.reason) } } }
        p { (why.sentence) }
        @if again {
            div.orders { button type="button" data-order={ "/run/" (name) "/order/again?item=" (address) } { "Run again" } }
        }
        @if !figures.is_empty() { section { h2 { "Figures" } div.card { (figure_list(&figures)) } } }
        @if !item.outputs.is_empty() { section { h2 { "Outputs" } div.sides {
            @for output in &item.outputs {
                @let wish = wishes.iter().find(|(made, _)| made == output).map(|(_, wish)| wish);
                (output_figure(&name, &address, output, wish.and_then(|wish| source(&name, wish, &seen)).map(|source| (source.address, source.frames))))
            }
        } } }
        @if !item.findings.is_empty() { section { h2 { "Written although it failed" } div.sides {
            @for finding in &item.findings { (output_figure(&name, &address, finding, None)) }
        } } }
        section { h2 { "Log" } pre.log #log tabindex="0" data-log={ "/run/" (name) "/log/" (address) } {} }
        section { h2 { "Attempts" } (attempts(&view.attempts_made)) }
        section { h2 { "Around it" } (around(&name, &view)) }
    };
    let back = format!("/run/{name}");
    Ok(frame::page(
        &address,
        &[("/", "all runs"), (&back, &name)],
        None,
        &main,
    ))
}

fn output_figure(run: &str, address: &str, output: &MadeOutput, picture: Option<(String, u32)>) -> Markup {
    let extension = extension_of(&output.path).unwrap_or_default();
    let file = output.path.rsplit('/').next().unwrap_or(&output.path);
    let whole = format!("/run/{run}/output/{}/{file}", hex(&output.digest));
    html! {
        figure {
            figcaption { strong { (output.name) } " " a href=(whole) download=(file) { (file) } ", " (words::size(output.size)) }
            @if extension == ".png" {
                // At full resolution: what is judged is the map, not its thumbnail.
                a href=(whole) { img src=(whole) alt={ (address) ", map " (output.name) }; }
            } @else if let Some((source, frames)) = picture {
                span.turn tabindex="0" role="img" style={ "--frames:" (frames) } aria-label={ (address) ", mesh " (output.name) ", turns when pointed at" } {
                    img src=(source) alt="";
                }
            } @else if is_mesh(&extension) { p.coming { "picture comes; load the page again in a moment" } }
        }
    }
}

fn attempts(made: &[Attempt]) -> Markup {
    if made.is_empty() {
        return html! { p { "None: nothing ran for it in this run." } };
    }
    html! {
        div.wide tabindex="0" role="region" aria-label="Attempts" { table {
            thead { tr { @for head in ["attempt", "outcome", "agent", "started", "took", "processor", "memory", "reason"] { th scope="col" { (head) } } } }
            tbody { @for attempt in made {
                @let measured = attempt.measured.unwrap_or_default();
                tr {
                    th scope="row" { (attempt.number) }
                    td { @if attempt.outcome.is_empty() { "runs" } @else { (attempt.outcome) } }
                    td { (attempt.agent) }
                    td { (words::moment(attempt.started_ms)) }
                    td { (words::duration(measured.elapsed_ms)) }
                    td { (words::duration(measured.user_ms + measured.system_ms)) }
                    td { (words::size(measured.peak_memory_bytes)) }
                    td { (attempt.reason) }
                }
            } }
        } }
    }
}

fn around(run: &str, view: &ItemView) -> Markup {
    let links = |addresses: &[String]| {
        html! { @for address in addresses { a href={ "/run/" (run) "/item/" (address) } { (address) } " " } }
    };
    html! {
        @if !view.upstream.is_empty() { p { "reads from " (links(&view.upstream)) } }
        @if !view.downstream.is_empty() { p { "read by " (links(&view.downstream)) } }
        @if !view.made_by.is_empty() { p { "made by " (view.made_by) } }
        @if !view.key_parts.is_empty() { details { summary { "What its result depends on" }
            dl.figures { @for part in &view.key_parts { div { dt { (part.name) } dd { code { (part.value) } } } } }
        } }
    }
}

/// The log of the newest attempt, followed while it runs.
pub(super) async fn log(
    State(calls): State<Calls>,
    Path((run, scope, step)): Place,
) -> Result<impl IntoResponse, Trouble> {
    let request = LogRequest {
        run,
        item: format!("{scope}/{step}"),
        attempt: 0,
        follow: true,
    };
    let mut chunks = calls.runs.clone().log(request).await?.into_inner();
    let (sender, receiver) = mpsc::channel::<Result<Event, Infallible>>(4);
    let ending = calls.ending.clone();
    let following = async move {
        // A character may be cut between two chunks.
        let mut rest: Vec<u8> = Vec::new();
        while let Ok(Some(chunk)) = chunks.message().await {
            rest.extend_from_slice(&chunk.data);
            let whole = match std::str::from_utf8(&rest) {
                Ok(_) => rest.len(),
                Err(error) if error.error_len().is_none() => error.valid_up_to(),
                Err(_) => rest.len(),
            };
            let text = String::from_utf8_lossy(&rest[..whole]).into_owned();
            rest.drain(..whole);
            let event = Event::default()
                .event("log")
                .data(serde_json::json!(text).to_string());
            if sender.send(Ok(event)).await.is_err() {
                return;
            }
        }
        // Nobody may be left.
        let _ = sender.send(Ok(frame::end())).await;
    };
    tokio::spawn(async move { ending.run_until_cancelled(following).await });
    Ok(Sse::new(ReceiverStream::new(receiver)).keep_alive(KeepAlive::default()))
}

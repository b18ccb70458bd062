//! The first page: runs, newest first, and agents with their budgets.

use std::convert::Infallible;
use std::time::Duration;

use axum::extract::State;
use axum::response::IntoResponse;
use axum::response::sse::{Event, KeepAlive, Sse};
use maud::{Markup, html};
use tidemill_proto::v1::{AgentRow, RunRow};
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;

use super::calls::Calls;
use super::frame::{self, Trouble};
use crate::sheet::state_mark;
use crate::words;

/// So many runs are listed.
const RUNS: u32 = 60;
const EVERY: Duration = Duration::from_secs(2);

pub(super) async fn page(State(calls): State<Calls>) -> Result<impl IntoResponse, Trouble> {
    let (runs, agents) = (calls.history(RUNS).await?, calls.agents().await?);
    let main = html! {
        section { h2 { "Runs" } div #runs { (run_list(&runs)) } }
        section { h2 { "Agents" } div #agents { (agent_list(&agents)) } }
    };
    Ok(frame::page("Runs", &[], Some("/events"), &main))
}

pub(super) async fn events(State(calls): State<Calls>) -> impl IntoResponse {
    let (sender, receiver) = mpsc::channel::<Result<Event, Infallible>>(4);
    tokio::spawn(async move {
        let ending = calls.ending.clone();
        ending.run_until_cancelled(tell(calls, sender)).await;
    });
    Sse::new(ReceiverStream::new(receiver)).keep_alive(KeepAlive::default())
}

async fn tell(calls: Calls, events: mpsc::Sender<Result<Event, Infallible>>) {
    let mut told = (String::new(), String::new());
    loop {
        let (Ok(runs), Ok(agents)) = (calls.history(RUNS).await, calls.agents().await) else {
            return; // the script connects again
        };
        let now = (run_list(&runs), agent_list(&agents));
        if now.0.0 != told.0 && events.send(Ok(frame::part("runs", &now.0, None))).await.is_err() {
            return;
        }
        if now.1.0 != told.1
            && events
                .send(Ok(frame::part("agents", &now.1, None)))
                .await
                .is_err()
        {
            return;
        }
        told = (now.0.0, now.1.0);
        tokio::select! {
            () = tokio::time::sleep(EVERY) => {}
            () = events.closed() => return,
        }
    }
}

fn run_list(runs: &[RunRow]) -> Markup {
    if runs.is_empty() {
        return html! { p { "There are no runs yet. Start one with " code { "tidemill run MANIFEST" } "." } };
    }
    html! {
        ul.runs {
            @for run in runs {
                li.card {
                    a.run href={ "/run/" (run.run) } { (run.run) }
                    span.small { (words::run_word(run)) ", " (words::moment(run.submitted_ms)) @if !run.person.is_empty() { ", " (run.person) } }
                    ul.inline { @for (of, count) in words::counts(&run.counts.unwrap_or_default()) { li { (count) " " (state_mark(of)) } } }
                }
            }
        }
    }
}

/// Agents with what they lend and what of it is booked.
pub(super) fn agent_list(agents: &[AgentRow]) -> Markup {
    if agents.is_empty() {
        return html! { p { "No agent has joined." } };
    }
    html! {
        div.groups {
            @for agent in agents {
                section.card.agent {
                    h3 { (agent.name) " " span.small { (agent.state) } }
                    (meter("cores", f64::from(agent.booked_millicores) / 1000.0, f64::from(agent.lent_millicores) / 1000.0, &|value| words::number((value * 10.0).round() / 10.0)))
                    (meter("memory", agent.booked_memory_bytes as f64, agent.lent_memory_bytes as f64, &|value| words::size(value as u64)))
                    p.small { "others use " (format!("{:.1}", agent.load_cores)) " cores; finished " (agent.finished_items) " items" }
                    @if !agent.running.is_empty() {
                        p.small { "runs " (agent.running.iter().take(6).cloned().collect::<Vec<_>>().join(", "))
                            @if agent.running.len() > 6 { " and " (agent.running.len() - 6) " more" } }
                    }
                }
            }
        }
    }
}

fn meter(what: &str, booked: f64, lent: f64, show: &dyn Fn(f64) -> String) -> Markup {
    let share = if lent > 0.0 {
        (booked / lent * 100.0).clamp(0.0, 100.0)
    } else {
        0.0
    };
    html! {
        p.small { (what) ": " (show(booked)) " booked of " (show(lent)) " lent" }
        div.meter aria-hidden="true" { span style={ "width:" (format!("{share:.0}")) "%" } {} }
    }
}

//! One run: its sheet, filling in as items finish.

use std::collections::{HashMap, HashSet};
use std::convert::Infallible;
use std::time::Duration;

use axum::extract::{Path, Query, State};
use axum::response::IntoResponse;
use axum::response::sse::{Event, KeepAlive, Sse};
use maud::{Markup, html};
use tidemill_proto::state;
use tidemill_proto::v1::{ItemRow, PictureWish, RunState, WatchRequest, watch_event};
use tokio::sync::mpsc;
use tokio::time::{Instant, timeout_at};
use tokio_stream::wrappers::ReceiverStream;
use tonic::Status;

use super::calls::{Calls, Seen, source};
use super::frame::{self, Trouble};
use crate::facts::{RunFacts, figure_files_of};
use crate::report::{about, elapsed_ms, headline, state_words};
use crate::sheet::{group_card, item_cell, sheet, sign_off_mark};
use crate::words;

/// Events closer together than this are told together.
const TOGETHER: Duration = Duration::from_millis(150);
/// How often pictures that were not there are looked for.
const LOOK: Duration = Duration::from_secs(1);
/// After a run's end the page waits so long for its last pictures.
const LAST_PICTURES: Duration = Duration::from_secs(600);
const ROWS_AT_ONCE: usize = 100;

/// Unix time in ms.
pub(super) fn now_ms() -> i64 {
    jiff::Timestamp::now().as_millisecond()
}

pub(super) async fn page(
    State(calls): State<Calls>,
    Path(run): Path<String>,
) -> Result<impl IntoResponse, Trouble> {
    let row = calls.run(&run).await?;
    let name = row.run.clone();
    let facts = calls.facts(row).await?;
    let seen = calls.glance(&facts.all_wishes()).await?;
    let find = |wish: &PictureWish| source(&name, wish, &seen);
    let newest = facts.items.iter().map(|row| row.changed_ms).max().unwrap_or(0);
    let base = format!("/run/{name}/item");
    let failed = facts.failed();
    let main = html! {
        div #about { (about(&facts)) }
        div #headline { (headline(&facts, now_ms())) }
        div.orders #orders { (orders(&facts)) }
        @if !failed.is_empty() {
            section { h2 { "What failed" } ul {
                @for index in failed.iter().take(50) {
                    @let row = facts.row(*index);
                    li { a href={ (base) "/" (row.address) } { (row.address) } ": " span.reason { (row.reason) } }
                }
            } }
        }
        section {
            h2 { "Sheet" }
            form.filters #filters {
                label { "variants with" input #filter-name type="search" autocomplete="off"; }
                label { "items that are" select #filter-state {
                    option value="" { "in any state" }
                    @for word in state_words() { option value=(word) { (word) } }
                } }
            }
            (sheet(&facts, &find, Some(&base), ROWS_AT_ONCE))
        }
        section { h2 { "Sign-off" } div #signs { (signs(&facts)) } }
    };
    let events = format!("/run/{name}/events?since={newest}");
    Ok(frame::page(&name, &[("/", "all runs")], Some(&events), &main))
}

/// Buttons for what can be ordered now.
fn orders(facts: &RunFacts) -> Markup {
    let run = &facts.run;
    let open = run.state() != RunState::Ended;
    let counts = run.counts.unwrap_or_default();
    let order = |word: &str, text: &str| html! { button type="button" data-order={ "/run/" (run.run) "/order/" (word) } { (text) } };
    html! {
        @if open && !run.paused { (order("pause", "Pause")) }
        @if open && run.paused { (order("resume", "Resume")) }
        @if open { (order("stop", "Stop")) }
        @if counts.failed + counts.cut_off + counts.stopped > 0 { (order("again", "Run failed and stopped again")) }
    }
}

/// Where variants stand, with buttons.
fn signs(facts: &RunFacts) -> Markup {
    let run = &facts.run.run;
    html! {
        @if facts.sign_offs.is_empty() { p { "This run has no variants." } }
        ul.signs {
            @for row in facts.sign_offs.values() {
                li {
                    strong { (row.variant) } " " (sign_off_mark(row))
                    @if row.state != "unfinished" {
                        span.orders {
                            label.small { "note " input type="text" maxlength="500" aria-label={ "note on " (row.variant) }; }
                            button type="button" data-order={ "/run/" (run) "/order/approve?variant=" (row.variant) }
                                aria-label={ "approve " (row.variant) } { "Approve" }
                            button type="button" data-order={ "/run/" (run) "/order/reject?variant=" (row.variant) }
                                aria-label={ "reject " (row.variant) } { "Reject" }
                        }
                    }
                }
            }
        }
    }
}

pub(super) async fn events(
    State(calls): State<Calls>,
    Path(run): Path<String>,
    Query(query): Query<HashMap<String, String>>,
) -> Result<impl IntoResponse, Trouble> {
    let since = query.get("since").and_then(|text| text.parse().ok()).unwrap_or(0);
    let row = calls.run(&run).await?;
    let facts = calls.facts(row).await?;
    let (sender, receiver) = mpsc::channel::<Result<Event, Infallible>>(64);
    tokio::spawn(async move {
        let ending = calls.ending.clone();
        let teller = Teller {
            missing: HashSet::new(),
            groups: facts.arrangement().groups.into_iter().collect(),
            calls,
            facts,
            events: sender,
        };
        // Who left does not need the reason; the script connects again.
        let _ = ending.run_until_cancelled(teller.tell(since)).await;
    });
    Ok(Sse::new(ReceiverStream::new(receiver)).keep_alive(KeepAlive::default()))
}

/// Nobody listens any more, or the coordinator is gone.
struct Gone;

impl From<Status> for Gone {
    fn from(_: Status) -> Self {
        Self
    }
}

struct Teller {
    calls: Calls,
    facts: RunFacts,
    events: mpsc::Sender<Result<Event, Infallible>>,
    /// Items with pictures that were not there when they were last told.
    missing: HashSet<usize>,
    groups: HashSet<usize>,
}

impl Teller {
    async fn tell(mut self, since: i64) -> Result<(), Gone> {
        let request = WatchRequest {
            run: self.facts.run.run.clone(),
            quiet: false,
        };
        let mut watch = self.calls.runs.clone().watch(request).await?.into_inner();
        let mut until = None;
        // What the page shows already, but for its pictures, is not told again.
        let shown: Vec<usize> = (0..self.facts.items.len()).collect();
        self.note_missing(&shown).await?;
        let mut first = true;
        loop {
            let deadline = Instant::now() + if first { TOGETHER } else { LOOK };
            let (mut changed, mut moved, mut over) = (Vec::new(), false, false);
            let mut close = deadline;
            loop {
                match timeout_at(close, watch.message()).await {
                    Ok(Ok(Some(event))) => {
                        close = close.min(Instant::now() + TOGETHER);
                        match event.event {
                            Some(watch_event::Event::Run(run)) => {
                                moved = true;
                                self.facts.run = run;
                            }
                            Some(watch_event::Event::Item(row)) if first && row.changed_ms <= since => {
                                self.take(row)
                            }
                            Some(watch_event::Event::Item(row)) => {
                                changed.push(row.index as usize);
                                self.take(row);
                            }
                            None => {}
                        }
                    }
                    Ok(Ok(None)) => {
                        over = true;
                        break;
                    }
                    Ok(Err(_)) => return Err(Gone),
                    Err(_) => break, // nothing came for a while
                }
            }
            first = false;
            changed.sort_unstable();
            changed.dedup();
            self.tell_items(changed).await?;
            if moved {
                self.tell_run().await?;
            }
            self.tell_pictures().await?;
            if over {
                let until = *until.get_or_insert_with(|| Instant::now() + LAST_PICTURES);
                if self.missing.is_empty() || Instant::now() > until {
                    let _ = self.events.send(Ok(frame::end())).await;
                    return Ok(());
                }
                tokio::time::sleep(LOOK).await;
            }
        }
    }

    fn take(&mut self, row: ItemRow) {
        if let Some(place) = self.facts.items.get_mut(row.index as usize) {
            *place = row;
        }
    }

    async fn tell_run(&mut self) -> Result<(), Gone> {
        self.send(frame::part("headline", &headline(&self.facts, now_ms()), None))
            .await?;
        self.send(frame::part("orders", &orders(&self.facts), None))
            .await?;
        self.send(frame::part("about", &about(&self.facts), None)).await?;
        if self.facts.run.state() == RunState::Ended {
            let rows = self.calls.sign_offs(&self.facts.run.run).await?;
            self.facts.sign_offs = super::calls::by_variant(rows);
            self.send(frame::part("signs", &signs(&self.facts), None)).await?;
            let told = format!(
                "ended after {}",
                words::duration(elapsed_ms(&self.facts, now_ms()))
            );
            self.send(Event::default().event("says").data(told)).await?;
        }
        Ok(())
    }

    /// Sends the cells of items as they are now.
    async fn tell_items(&mut self, indexes: Vec<usize>) -> Result<(), Gone> {
        if indexes.is_empty() {
            return Ok(());
        }
        for index in &indexes {
            let row = self.facts.row(*index);
            let mut found = Vec::new();
            for output in figure_files_of(&row) {
                found.extend(self.calls.figures(output).await);
            }
            self.facts.figures.insert(*index as u32, found);
        }
        let seen = self.note_missing(&indexes).await?;
        self.send_cells(&indexes, &seen).await
    }

    /// Sends cells whose pictures have come.
    async fn tell_pictures(&mut self) -> Result<(), Gone> {
        if self.missing.is_empty() {
            return match self.events.is_closed() {
                true => Err(Gone),
                false => Ok(()),
            };
        }
        let before: Vec<usize> = self.missing.iter().copied().collect();
        let seen = self.note_missing(&before).await?;
        let come: Vec<usize> = before
            .into_iter()
            .filter(|index| !self.missing.contains(index))
            .collect();
        self.send_cells(&come, &seen).await
    }

    /// Looks for the pictures of items, and remembers those that lack one.
    async fn note_missing(&mut self, indexes: &[usize]) -> Result<Seen, Gone> {
        let of: Vec<(usize, PictureWish)> = indexes
            .iter()
            .flat_map(|index| {
                self.facts
                    .wishes(&self.facts.row(*index))
                    .into_iter()
                    .map(|(_, wish)| (*index, wish))
            })
            .collect();
        let wishes: Vec<PictureWish> = of.iter().map(|(_, wish)| wish.clone()).collect();
        let seen = self.calls.glance(&wishes).await?;
        for index in indexes {
            self.missing.remove(index);
        }
        self.missing.extend(
            of.iter()
                .filter(|(_, wish)| !seen.contains_key(&wish.digest))
                .map(|(index, _)| *index),
        );
        Ok(seen)
    }

    async fn send_cells(&self, indexes: &[usize], seen: &Seen) -> Result<(), Gone> {
        let name = &self.facts.run.run;
        let base = format!("/run/{name}/item");
        for index in indexes {
            let inside = {
                let find = |wish: &PictureWish| source(name, wish, seen);
                match self.groups.contains(index) {
                    true => group_card(&self.facts, *index, &find, Some(&base)),
                    false => item_cell(&self.facts, *index, &find, Some(&base)),
                }
            };
            let word = state::word(self.facts.row(*index).state());
            self.send(frame::part(&format!("item-{index}"), &inside, Some(word)))
                .await?;
        }
        Ok(())
    }

    async fn send(&self, event: Event) -> Result<(), Gone> {
        self.events.send(Ok(event)).await.map_err(|_| Gone)
    }
}

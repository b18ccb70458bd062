//! What the agents do while a run is followed.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tidemill_proto::v1::AgentRow;
use tokio::task::JoinHandle;

use crate::rpc::Rpc;

/// Between two questions.
const ASK_EVERY: Duration = Duration::from_secs(1);
/// Until the first one: by then the first items run.
const ASK_FIRST: Duration = Duration::from_millis(200);

/// Asks for the agents again and again, until dropped.
pub(super) struct Agents {
    rows: Arc<Mutex<Vec<AgentRow>>>,
    asking: JoinHandle<()>,
}

impl Agents {
    pub(super) fn ask(rpc: &Rpc) -> Self {
        let rows = Arc::new(Mutex::new(Vec::new()));
        let (rpc, kept) = (rpc.clone(), Arc::clone(&rows));
        let asking = tokio::spawn(async move {
            tokio::time::sleep(ASK_FIRST).await;
            loop {
                // Without an answer the last one stands.
                if let Ok(found) = rpc.agents().await {
                    *kept.lock().unwrap_or_else(PoisonError::into_inner) = found;
                }
                tokio::time::sleep(ASK_EVERY).await;
            }
        });
        Self { rows, asking }
    }

    /// As they were last.
    pub(super) fn now(&self) -> Vec<AgentRow> {
        self.rows.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

impl Drop for Agents {
    fn drop(&mut self) {
        self.asking.abort();
    }
}

//! `wear`.

use super::{Context, OperationError, Produced};

pub(super) fn run(_context: &Context<'_>) -> Result<Produced, OperationError> {
    Err(OperationError::Unsuitable(
        "`wear` is still being written".to_owned(),
    ))
}

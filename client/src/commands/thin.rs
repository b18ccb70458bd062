//! `store thin`: forgets attempts and logs of old runs. It works on a data folder that nobody serves meanwhile.

use tidemill_coordinator::upkeep::roots::Keeping;
use tidemill_coordinator::upkeep::thin::{ThinError, thin as thin_record};
use tidemill_coordinator::{Config, OpenError, store_of};

use crate::arguments::StoreThin;
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::output::human;
use crate::output::store_json::ThinnedObject;
use crate::printer::Printer;
use crate::settings::{Place, Settings};

/// Thins the record, or says what that would free.
pub async fn thin(
    arguments: &StoreThin,
    settings: &Settings,
    printer: &Printer,
) -> Result<ExitStatus, Failure> {
    if let Place::Studio(address) = &settings.place {
        return Err(
            Failure::wrong(format!("the record of {address} can only be thinned where it lies")).hint(
                "end the coordinator there, run `tidemill store thin --data FOLDER` on its data folder, and start it again; \
                 runs go on",
            ),
        );
    }
    if !settings.data.join("record").is_dir() {
        return Err(
            Failure::wrong(format!("{} holds no record", settings.data.display()))
                .hint("name the data folder: `--data DIR`"),
        );
    }
    let keeping = Keeping {
        days: arguments.keep_days,
        runs_per_manifest: arguments.keep_runs,
    };
    let store = store_of(&settings.data).map_err(|error| {
        Failure::work(format!(
            "it cannot be read where the store of {} is: {error}",
            settings.data.display()
        ))
        .hint("start the coordinator once with the right --store: it writes the file anew")
    })?;
    let config = Config {
        store,
        ..Config::embedded(&settings.data)
    };
    let remove = arguments.remove;
    let work = move || thin_record(&config, keeping, remove, human::now_ms()).map_err(Box::new);
    let thinned = tokio::task::spawn_blocking(work)
        .await
        .map_err(|error| Failure::work(error.to_string()))?
        .map_err(|error| match &*error {
            ThinError::Open(OpenError::Owned { .. }) => Failure::work(error.to_string()).hint(
                "end it first: what is being thinned cannot be in use; runs go on when it starts again",
            ),
            _ => Failure::work(error.to_string()),
        })?;
    printer.object(&ThinnedObject::of(&thinned, remove));
    if printer.is_json() {
        return Ok(ExitStatus::AllDone);
    }
    let count =
        |n: u64, one: &str, many: &str| human::count(usize::try_from(n).unwrap_or(usize::MAX), one, many);
    let what = format!(
        "{} and {} of {} in {}",
        count(thinned.attempts, "earlier attempt", "earlier attempts"),
        count(thinned.logs, "log", "logs"),
        count(thinned.items, "item", "items"),
        count(thinned.runs, "run", "runs"),
    );
    if remove {
        printer.data(format_args!(
            "forgot {what}; the record took {} and takes {}",
            human::size(thinned.before_bytes),
            human::size(thinned.after_bytes)
        ));
        printer.hint("`tidemill store sweep --remove` frees the logs themselves");
    } else {
        printer.data(format_args!(
            "would forget {what}; the record takes {}",
            human::size(thinned.before_bytes)
        ));
        if thinned.items > 0 {
            printer.hint(
                "`--remove` forgets them; outputs, states, keys, sign-off and the history's figures stay",
            );
        }
    }
    Ok(ExitStatus::AllDone)
}

//! `join`: from an invitation to a certificate, with which this user may then talk to a studio's coordinator.

use tidemill_agent::reach::{self, Membership};
use tidemill_proto::Invitation;
use tidemill_proto::v1::Role;

use crate::arguments::Join;
use crate::exit::ExitStatus;
use crate::failure::{Failure, io_words};
use crate::os;
use crate::output::json::Joined;
use crate::printer::Printer;
use crate::session::reach_failure;
use crate::settings::Settings;

/// Joins a studio.
pub async fn join(arguments: &Join, settings: &Settings, printer: &Printer) -> Result<ExitStatus, Failure> {
    let text = match arguments.invitation.as_str() {
        "-" => std::io::read_to_string(std::io::stdin()).map_err(|error| {
            Failure::wrong(format!(
                "cannot read the invitation from standard input: {}",
                io_words(&error)
            ))
        })?,
        text => text.to_owned(),
    };
    let invitation: Invitation = text
        .parse()
        .map_err(|error: tidemill_proto::invitation::BadInvitation| Failure::wrong(error.to_string()))?;
    os::make_private_folder(&settings.data).map_err(|error| Failure::file("make", &settings.data, &error))?;
    let name = match settings.person.as_str() {
        "" => "somebody",
        name => name,
    };
    let folder = Membership::folder_of(&settings.data);
    let joined = reach::join(&invitation, Role::Person, name, &folder)
        .await
        .map_err(reach_failure)?;
    printer.object(&Joined::new(&joined.address, name, joined.expires_ms));
    if !printer.is_json() {
        printer.data(format_args!(
            "joined {} as {name}: use it with `--at {0}` or TIDEMILL_AT={0}",
            joined.address
        ));
    }
    Ok(ExitStatus::AllDone)
}

//! The commands that set up who may join: `init`, `invite`, `renew`, and what `serve` needs of them.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, bail};
use clap::{Args, ValueEnum};
use tidemill_coordinator::identity::Identity;
use tidemill_coordinator::identity::folder::USUAL_LIFETIME;
use tidemill_proto::v1::Role;

/// `init`.
#[derive(Debug, Args)]
pub struct Init {
    /// Folder of the record and the store.
    #[arg(long, env = "TIDEMILL_DATA")]
    data: PathBuf,
    /// Host name or address by which other machines reach this one; again for each further one. Invitations name the first.
    #[arg(long = "name", value_name = "HOST", required = true)]
    names: Vec<String>,
    /// Port that `serve` will listen on.
    #[arg(long, default_value_t = 7420, value_parser = clap::value_parser!(u16).range(1..))]
    port: u16,
    /// How long the invitation is good for.
    #[arg(long, value_name = "TIME", default_value = "7 days")]
    valid: String,
    /// How long certificates are good for: the server's, and those of members. All are renewed by themselves, in time.
    #[arg(long, value_name = "TIME", default_value = USUAL_LIFETIME)]
    certificates: String,
}

/// `renew`.
#[derive(Debug, Args)]
pub struct Renew {
    /// Folder of the record and the store.
    #[arg(long, env = "TIDEMILL_DATA")]
    data: PathBuf,
}

/// `invite`.
#[derive(Debug, Args)]
pub struct Invite {
    /// Folder of the record and the store.
    #[arg(long, env = "TIDEMILL_DATA")]
    data: PathBuf,
    /// Who may use it.
    #[arg(long = "for", value_enum, default_value_t = Guest::Both)]
    guest: Guest,
    /// How long it is good for.
    #[arg(long, value_name = "TIME", default_value = "7 days")]
    valid: String,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Guest {
    Agent,
    Person,
    Both,
}

impl Init {
    /// Makes the files and prints an invitation.
    pub fn run(self) -> anyhow::Result<()> {
        let folder = Identity::folder_of(&self.data);
        let identity = Identity::make(&folder, &self.names, self.port, &self.certificates)?;
        eprintln!(
            "certificates and keys are in {}: keep a copy where nobody else can read it\n\
             a coordinator that is already running takes them at its next start\n\n\
             an invitation for agents and people, good for {}; whoever has it can join:\n\
             \x20 workstation:  tidemill-agent --join INVITATION --data DIR --config FILE\n\
             \x20 person:       tidemill join INVITATION\n",
            folder.display(),
            self.valid
        );
        println!("{}", identity.invite(Role::Unspecified, &self.valid)?);
        Ok(())
    }
}

impl Invite {
    /// Prints an invitation.
    pub fn run(self) -> anyhow::Result<()> {
        let identity = existing(&self.data)?;
        let role = match self.guest {
            Guest::Agent => Role::Agent,
            Guest::Person => Role::Person,
            Guest::Both => Role::Unspecified,
        };
        println!("{}", identity.invite(role, &self.valid)?);
        Ok(())
    }
}

impl Renew {
    /// Makes the server's certificate anew.
    pub fn run(self) -> anyhow::Result<()> {
        let facts = existing(&self.data)?.renew_server()?;
        println!(
            "the certificate for {} is good until {}; a coordinator that runs takes it up within the hour, or at its next start",
            facts.names.join(", "),
            facts.ends
        );
        Ok(())
    }
}

fn existing(data: &Path) -> anyhow::Result<Identity> {
    let folder = Identity::folder_of(data);
    Identity::open(&folder)?.with_context(|| {
        format!(
            "there are no certificates in {}: run `tidemill-coordinator init` first",
            folder.display()
        )
    })
}

/// With what `serve` proves who it is at an address; `None`: plain text, which only loopback allows.
pub fn identity_for(data: &Path, listen: SocketAddr, plain: bool) -> anyhow::Result<Option<Identity>> {
    let loopback = listen.ip().is_loopback();
    if plain {
        if !loopback {
            bail!("{listen} can be reached from other machines: --plain is for loopback addresses only");
        }
        return Ok(None);
    }
    let mut identity = Identity::open(&Identity::folder_of(data))?;
    if let Some(identity) = identity.as_mut()
        && identity.server_is_due()?
    {
        let until = identity.renew_server()?.ends;
        tracing::info!(%until, "made the server's certificate anew");
    }
    if identity.is_none() && !loopback {
        bail!(
            "{listen} can be reached from other machines, and this program runs programs on workstations: without \
             certificates it listens only on a loopback address, as in 127.0.0.1:7420\n\
             set them up with: tidemill-coordinator init --data {} --name THIS-MACHINE --port {}",
            data.display(),
            listen.port()
        );
    }
    Ok(identity)
}

//! What differs between operating systems: the user's data folder, what tells that a file changed, the socket
//! by which processes reach the owner of a data folder, requests to end, and finding programs.

use std::ffi::OsString;
use std::path::{Path, PathBuf};

#[cfg(unix)]
mod unix;
#[cfg(unix)]
use unix as system;

#[cfg(windows)]
mod windows;
#[cfg(windows)]
use windows as system;

pub use system::{EndRequests, OwnerListener, OwnerStream, connect_owner, file_identity, listen_as_owner};

/// How other processes reach the owner of a data folder: written beside the lock, read by them.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct OwnerAddress {
    /// Of the owner, for messages.
    pub process: u32,
    /// It has an agent, so that runs make progress.
    pub works: bool,
    /// Path of a socket, or a loopback address where there are no such sockets.
    pub address: String,
    /// What a caller must send first where anybody on the machine could connect; else empty.
    pub token: String,
}

/// What the file system says about a file beside its size and time of change of content.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct FileIdentity {
    /// Inode; 0 where there is none.
    pub number: u64,
    /// When anything about the file changed, in ns; where there is no such time, when it was made.
    pub changed_ns: i64,
}

/// The folder below which programs keep a user's data, if there is one.
pub fn user_data_folder(variable: &dyn Fn(&str) -> Option<OsString>) -> Option<PathBuf> {
    let folder = |name: &str| {
        variable(name)
            .map(PathBuf::from)
            .filter(|path| path.is_absolute())
    };
    if cfg!(windows) {
        return folder("LOCALAPPDATA").or_else(|| Some(folder("USERPROFILE")?.join("AppData").join("Local")));
    }
    if cfg!(target_os = "macos") {
        return Some(folder("HOME")?.join("Library").join("Application Support"));
    }
    // Source: the XDG Base Directory Specification; a relative path in the variable is to be ignored.
    folder("XDG_DATA_HOME").or_else(|| Some(folder("HOME")?.join(".local").join("share")))
}

/// Where a plain program name is found on the PATH.
pub fn find_program(name: &str, path: Option<&std::ffi::OsStr>) -> Option<PathBuf> {
    std::env::split_paths(path?)
        .filter(|folder| folder.is_absolute())
        .flat_map(|folder| {
            system::program_names(name)
                .into_iter()
                .map(move |file| folder.join(file))
        })
        .find(|candidate| system::is_program(candidate))
}

/// Whether a file's owner may execute it; always false where files carry no such right.
pub fn is_executable(path: &Path) -> bool {
    cfg!(unix) && system::is_program(path)
}

/// Lets a file be executed by those who may read it; nothing where files carry no such right.
pub fn make_executable(file: &std::fs::File) -> std::io::Result<()> {
    system::make_executable(file)
}

/// Makes a folder that only its user can read, and what is above it.
pub fn make_private_folder(folder: &Path) -> std::io::Result<()> {
    system::make_private_folder(folder)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    #[cfg(all(unix, not(target_os = "macos")))]
    fn the_data_folder_follows_the_specification() {
        let folder = |set: &[(&str, &str)]| {
            user_data_folder(&|name| {
                set.iter()
                    .find(|(variable, _)| *variable == name)
                    .map(|(_, value)| OsString::from(value))
            })
        };
        assert_eq!(folder(&[("HOME", "/h")]), Some("/h/.local/share".into()));
        assert_eq!(
            folder(&[("HOME", "/h"), ("XDG_DATA_HOME", "/x")]),
            Some("/x".into())
        );
        assert_eq!(
            folder(&[("HOME", "/h"), ("XDG_DATA_HOME", "x")]),
            Some("/h/.local/share".into())
        );
        assert_eq!(folder(&[]), None);
    }

    #[test]
    #[cfg(unix)]
    fn programs_are_found_on_the_path_only() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("winch"), "").unwrap();
        let path = folder.path().as_os_str();
        assert_eq!(find_program("winch", Some(path)), None, "it is not executable");
        use std::os::unix::fs::PermissionsExt as _;
        std::fs::set_permissions(
            folder.path().join("winch"),
            std::fs::Permissions::from_mode(0o755),
        )
        .unwrap();
        assert_eq!(
            find_program("winch", Some(path)),
            Some(folder.path().join("winch"))
        );
        assert_eq!(find_program("winch", None), None);
    }

    #[tokio::test]
    async fn an_owner_is_reached_however_deep_its_folder_lies() {
        use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
        let data = tempfile::tempdir().unwrap();
        let deep = data.path().join("dock".repeat(30));
        std::fs::create_dir(&deep).unwrap();
        for folder in [data.path(), deep.as_path()] {
            let (listener, address) = listen_as_owner(folder, true).unwrap();
            let call = async {
                let mut stream = connect_owner(&address).await.unwrap();
                stream.write_all(b"tide").await.unwrap();
            };
            let answer = async {
                let mut bytes = [0; 4];
                listener
                    .accept()
                    .await
                    .unwrap()
                    .read_exact(&mut bytes)
                    .await
                    .unwrap();
                bytes
            };
            assert_eq!(tokio::join!(call, answer).1, *b"tide", "{}", folder.display());
            drop(listener);
            assert!(connect_owner(&address).await.is_err(), "nobody listens any more");
        }
    }
}

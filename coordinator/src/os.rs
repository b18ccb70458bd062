//! What differs between operating systems: how a person or a service manager asks the program to end.

/// Completes when the process is asked to end: Ctrl-C, and SIGTERM where it exists.
#[cfg(unix)]
pub async fn end_requested() -> std::io::Result<()> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    tokio::select! {
        _ = terminate.recv() => {}
        _ = interrupt.recv() => {}
    }
    Ok(())
}

/// Completes when the process is asked to end: Ctrl-C, Ctrl-Break, or the closing of its console.
#[cfg(windows)]
pub async fn end_requested() -> std::io::Result<()> {
    use tokio::signal::windows::{ctrl_break, ctrl_c, ctrl_close};
    let (mut interrupt, mut stop, mut close) = (ctrl_c()?, ctrl_break()?, ctrl_close()?);
    tokio::select! {
        _ = interrupt.recv() => {}
        _ = stop.recv() => {}
        _ = close.recv() => {}
    }
    Ok(())
}

//! `pintle audit`: checks and shows who did what.

use crate::audit::{self, AuditError, Verdict};
use crate::cli::{complain, usual};
use crate::exit::Exit;
use std::io::{self, Write};
use std::path::PathBuf;

/// Arguments of `pintle audit`.
#[derive(Debug, clap::Args)]
pub struct AuditArgs {
    #[command(subcommand)]
    verb: AuditVerb,
    /// The configuration of the trailer; it names the state folder. Without it /etc/pintle/pintle.toml, and the usual
    /// folder for those who may not read that.
    #[arg(long, value_name = "FILE", global = true)]
    config: Option<PathBuf>,
    /// One JSON object a line instead of text.
    #[arg(long, global = true)]
    json: bool,
}

#[derive(Debug, clap::Subcommand)]
enum AuditVerb {
    /// Check that no entry was altered, taken out or put in: 0 whole or none yet, 1 torn by a power cut, 2 not whole, 3
    /// unreadable.
    Verify {
        /// A file or folder of an audit; without it the trailer's own.
        path: Option<PathBuf>,
        /// Hash of the last entry as it was noted elsewhere: it must be in the chain.
        #[arg(long, value_name = "HASH")]
        head: Option<String>,
    },
    /// Show the entries, oldest first.
    List {
        /// A file or folder of an audit; without it the trailer's own.
        path: Option<PathBuf>,
        /// Only acts whose name begins so, for example hold.
        #[arg(long, value_name = "NAME", default_value = "")]
        act: String,
        /// Only the last so many.
        #[arg(long, value_name = "COUNT")]
        last: Option<usize>,
    },
}

/// Runs the command.
pub fn audit(args: &AuditArgs, out: &mut dyn Write) -> Exit {
    let (AuditVerb::Verify { path, .. } | AuditVerb::List { path, .. }) = &args.verb;
    let (path, is_own) = match path {
        Some(path) => (path.clone(), false),
        None => match usual::find(args.config.as_deref()) {
            Ok(found) => (found.state_dir().join("audit"), matches!(found, usual::Found::Read(_))),
            Err(error) => {
                complain(&error, error.advice());
                return Exit::Config;
            }
        },
    };
    match audit::is_there(&path) {
        // A trailer's own audit begins with the first act; a folder that somebody names is the wrong one.
        Ok(false) if !is_own => {
            let what = format!("there is no audit at {}", path.display());
            complain(&what, "name the folder `audit` below a state or data folder, or one of its files");
            return Exit::Stale;
        }
        Err(error) => return unreadable(&error),
        Ok(_) => {}
    }
    let done = match &args.verb {
        AuditVerb::Verify { head, .. } => audit::verify(&path).and_then(|verdict| {
            let known = match head {
                Some(head) => audit::lines(&path)?.iter().any(|line| line.hash == head.trim()),
                None => true,
            };
            Ok(tell(&verdict, known, args.json, out))
        }),
        AuditVerb::List { act, last, .. } => audit::lines(&path).map(|lines| {
            let lines: Vec<_> = lines.into_iter().filter(|line| line.act.starts_with(act.as_str())).collect();
            let skipped = last.map_or(0, |last| lines.len().saturating_sub(last));
            list(&lines[skipped..], args.json, out).map(|()| Exit::Good)
        }),
    };
    match done {
        Ok(Ok(exit)) => exit,
        Ok(Err(_)) => Exit::Act,
        Err(error) => unreadable(&error),
    }
}

fn unreadable(error: &AuditError) -> Exit {
    complain(error, "take a user who may read it: root, by `sudo`; nothing is changed by looking");
    Exit::Stale
}

fn tell(verdict: &Verdict, head_known: bool, json: bool, out: &mut dyn Write) -> io::Result<Exit> {
    let whole = verdict.faults.is_empty() && head_known;
    if json {
        let faults: Vec<_> = verdict
            .faults
            .iter()
            .map(|fault| serde_json::json!({"file": fault.file, "line": fault.line, "what": fault.what}))
            .collect();
        let told = serde_json::json!({
            "whole": whole, "entries": verdict.entries, "head": verdict.head, "torn": verdict.torn,
            "begins_later": verdict.begins_later, "head_known": head_known, "faults": faults,
            "more_faults": verdict.more_faults,
        });
        writeln!(out, "{told}")?;
    } else {
        if let (Some((first, from)), Some((last, to))) = (&verdict.first, &verdict.last) {
            writeln!(out, "{} entries, {first} ({from}) to {last} ({to})", verdict.entries)?;
        } else {
            writeln!(out, "no entries yet")?;
        }
        if verdict.begins_later {
            writeln!(out, "The entries before the first are in files that are not here.")?;
        }
        if 0 < verdict.torn {
            writeln!(out, "{} lines were torn by a power cut before they counted.", verdict.torn)?;
        }
        for fault in &verdict.faults {
            writeln!(out, "NOT WHOLE: {}, line {}: {}", fault.file.display(), fault.line, fault.what)?;
        }
        if 0 < verdict.more_faults {
            writeln!(out, "NOT WHOLE: and {} more", verdict.more_faults)?;
        }
        if !head_known {
            writeln!(out, "NOT WHOLE: the entry with the hash that you gave is not there.")?;
        }
        writeln!(out, "{}; head {}", if whole { "whole" } else { "not whole" }, verdict.head)?;
    }
    out.flush()?;
    Ok(match (whole, verdict.torn) {
        (false, _) => Exit::Act,
        (true, 0) => Exit::Good,
        (true, _) => Exit::Look,
    })
}

fn list(lines: &[audit::Line], json: bool, out: &mut dyn Write) -> io::Result<()> {
    for line in lines {
        if json {
            writeln!(out, "{}", serde_json::to_string(line)?)?;
            continue;
        }
        let on: Vec<String> = line.on.iter().map(|(name, value)| format!("{name}={value}")).collect();
        let uid = line.uid.map_or_else(|| "-".to_owned(), |uid| uid.to_string());
        writeln!(
            out,
            "{} {} {} (uid {uid}) {} {}: {}",
            line.n,
            line.at,
            line.by,
            line.act,
            on.join(" "),
            line.outcome
        )?;
    }
    out.flush()
}

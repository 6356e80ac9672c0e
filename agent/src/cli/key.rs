//! `pintle key`: the agency's key pair for sealed reads, and the agent's reading of its key files.

use crate::cli::ask::{Agent, own_name};
use crate::cli::complain;
use crate::exit::Exit;
use crate::seal::{self, KeyFileError, PublicKey};
use serde_json::json;
use std::fs::OpenOptions;
use std::io::{self, Write};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};

/// Arguments of `pintle key`.
#[derive(Debug, clap::Args)]
pub struct KeyArgs {
    #[command(subcommand)]
    verb: KeyVerb,
    #[command(flatten)]
    agent: Agent,
}

#[derive(Debug, clap::Subcommand)]
enum KeyVerb {
    /// Make a pair on the agency's computer: OUT.key stays there, OUT.pub goes to the trailers.
    New {
        /// Path without ending.
        out: PathBuf,
        /// What people call it, for example the agency and the year.
        #[arg(long, value_name = "NAME")]
        name: String,
    },
    /// Say what a key file is. Never shows a secret.
    Show {
        /// The file.
        file: PathBuf,
    },
    /// Open a sealed picture with the agency's private key.
    Open {
        /// The sealed file.
        file: PathBuf,
        /// The private key.
        #[arg(long, value_name = "FILE")]
        key: PathBuf,
        /// Where the picture goes; never overwritten.
        #[arg(long, value_name = "FILE")]
        out: PathBuf,
    },
    /// Have the running agent read its key files anew and use new content keys from now on.
    Rotate {
        /// Who says so; without it your user name is taken.
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
    },
}

/// Runs the command.
pub fn key(args: &KeyArgs, out: &mut dyn Write) -> Exit {
    match &args.verb {
        KeyVerb::New { out: path, name } => new(path, name, out),
        KeyVerb::Show { file } => show(file, out),
        KeyVerb::Open { file, key, out: to } => open(file, key, to),
        KeyVerb::Rotate { by } => {
            let by = by.clone().unwrap_or_else(own_name);
            match args.agent.result(&json!({ "do": "key.rotate", "by": by })) {
                Ok(_) => said(&writeln!(out, "The agent has read its key files; new reads are sealed for them.")),
                Err(exit) => exit,
            }
        }
    }
}

fn new(path: &Path, name: &str, out: &mut dyn Write) -> Exit {
    if name.trim().is_empty() {
        complain(&"the key has no name", "give one with --name, so that people can tell keys apart");
        return Exit::Usage;
    }
    let Some((private, public)) = seal::make(name) else {
        complain(&"the system gives no random bytes", "try again");
        return Exit::Act;
    };
    let with = |ending: &str| {
        let mut name = path.as_os_str().to_owned();
        name.push(ending);
        PathBuf::from(name)
    };
    for (file, text, mode) in [(with(".key"), private.as_str(), 0o600), (with(".pub"), public.as_str(), 0o644)] {
        if let Err(error) = write_new(&file, text.as_bytes(), mode) {
            let what = format!("{} can't be written: {error}", file.display());
            complain(&what, "a key file is never overwritten: choose another name, or look at the folder");
            return Exit::Act;
        }
    }
    show(&with(".pub"), out)
}

fn open(file: &Path, key: &Path, to: &Path) -> Exit {
    let key = match seal::read_private(key) {
        Ok(key) => key,
        Err(error) => {
            complain(&error, error.advice());
            return Exit::Act;
        }
    };
    let opened = std::fs::read(file).map_err(|error| error.to_string()).and_then(|bytes| {
        seal::open_picture(&key, &bytes).ok_or_else(|| "it is not sealed for this key, or it was altered".to_owned())
    });
    let written = opened.and_then(|picture| write_new(to, &picture, 0o600).map_err(|error| error.to_string()));
    match written {
        Ok(()) => Exit::Good,
        Err(why) => {
            let what = format!("{} can't be opened to {}: {why}", file.display(), to.display());
            complain(&what, "look at both paths, and at the fingerprint of the key with `pintle key show`");
            Exit::Act
        }
    }
}

fn write_new(path: &Path, bytes: &[u8], mode: u32) -> io::Result<()> {
    let mut file = OpenOptions::new().write(true).create_new(true).mode(mode).open(path)?;
    file.write_all(bytes)?;
    file.sync_all()
}

fn show(file: &Path, out: &mut dyn Write) -> Exit {
    let told =
        |kind: &str, key: &PublicKey| format!("{kind} seal key \"{}\", fingerprint {}", key.name, key.fingerprint());
    let shown = match seal::read_public(file) {
        Ok(key) => Ok(told("public", &key)),
        Err(KeyFileError::WrongKind { .. }) => match seal::read_private(file) {
            Ok(key) => Ok(told("private", &key.public)),
            Err(KeyFileError::WrongKind { path, found, .. }) => Err(KeyFileError::WrongKind {
                path,
                found,
                wanted: "a public or private seal key",
                advice: "name a file that `pintle key new` wrote; it ends with .pub or .key",
            }),
            Err(error) => Err(error),
        },
        Err(error) => Err(error),
    };
    match shown {
        Ok(text) => said(&writeln!(out, "{text}")),
        Err(error) => {
            complain(&error, error.advice());
            Exit::Act
        }
    }
}

fn said(written: &io::Result<()>) -> Exit {
    if written.is_ok() { Exit::Good } else { Exit::Act }
}

//! `pintle courier key`: the public key by which an agency knows this trailer's files on a courier's stick.

use super::{CONFIG_PATH, complain};
use crate::config;
use crate::exit::Exit;
use crate::io::courier::KEY_NAME;
use crate::io::signed::Signer;
use std::io::Write;
use std::path::PathBuf;

/// What to show.
#[derive(Clone, Debug, clap::Args)]
pub struct CourierArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Clone, Debug, clap::Subcommand)]
enum What {
    /// Print the line for the agency's file of --courier-keys; makes the key if there is none.
    Key {
        /// Configuration file.
        #[arg(long, value_name = "FILE", default_value = CONFIG_PATH)]
        config: PathBuf,
    },
}

/// Runs the command.
pub fn courier(args: &CourierArgs, out: &mut impl Write) -> Exit {
    let What::Key { config } = &args.what;
    let config = match config::read(config) {
        Ok(config) => config,
        Err(error) => {
            complain(&error, error.advice());
            return Exit::Config;
        }
    };
    match Signer::ready(&config.trailer.state_dir.join(KEY_NAME)) {
        Ok(signer) if writeln!(out, "{} {}", config.trailer.id.as_str(), signer.public()).is_ok() => Exit::Good,
        Ok(_) => Exit::Stale,
        Err(error) => {
            complain(&error, "run it as the agent's user, and look at the state folder and its disk");
            Exit::Config
        }
    }
}

//! Looks at the key files that sealing needs, and says which pictures go where.

use super::Finding;
use super::inspect::credential_elsewhere;
use crate::config::receiver::{Address, address};
use crate::config::{Config, Seal};
use crate::seal::{self, KeyFileError, Keyring};
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;

pub(super) fn key_files(config: &Config, out: &mut Vec<Finding>) {
    match config.queue.seal {
        Seal::None => out.push(Finding::look(
            "queue.seal",
            "waiting reads lie on the disk in clear",
            "keep the disk where nobody can take it away; health says this as long as it is so",
        )),
        Seal::Receiver => {
            for path in &config.seal.keys {
                agency_key(path, out);
            }
        }
        Seal::Disk => {
            if let Some(path) = &config.seal.disk_key {
                disk_key(path, &config.trailer.state_dir, out);
            }
        }
    }
}

fn wrong(about: &str, error: &KeyFileError, out: &mut Vec<Finding>) {
    out.push(Finding::wrong(about, error.to_string(), error.advice()));
}

fn mode(path: &Path) -> u32 {
    std::fs::metadata(path).map_or(0, |meta| meta.permissions().mode())
}

fn agency_key(path: &Path, out: &mut Vec<Finding>) {
    let about = "queue.seal_keys";
    let shown = path.display();
    match seal::read_public(path) {
        Ok(key) => {
            out.push(Finding::right(about, format!("{shown} is the key \"{}\", {}", key.name, key.fingerprint())));
        }
        Err(error) => match credential_elsewhere(path) {
            Some((found, advice)) => out.push(Finding::look(about, found, advice)),
            None => wrong(about, &error, out),
        },
    }
    if mode(path) & 0o022 != 0 {
        out.push(Finding::look(
            about,
            format!("others may write to {shown}, and so put a key of their own in its place"),
            format!("take that right away: `chmod go-w {shown}`"),
        ));
    }
}

fn disk_key(path: &Path, state_dir: &Path, out: &mut Vec<Finding>) {
    let about = "queue.seal_key_file";
    let shown = path.display();
    match seal::disk_key(path) {
        Ok(_) => out.push(Finding::right(about, format!("{shown} can be used as the key of this disk"))),
        Err(error) => match credential_elsewhere(path) {
            Some((found, advice)) => out.push(Finding::look(about, found, advice)),
            None => wrong(about, &error, out),
        },
    }
    if mode(path) & 0o077 != 0 {
        out.push(Finding::look(
            about,
            format!("others than its owner may read {shown}"),
            format!("take that right away: `chmod go= {shown}`"),
        ));
    }
    if Keyring::disk_key_is_beside(state_dir, &seal::Seal::Disk(path.to_owned())) {
        out.push(Finding::look(
            about,
            format!("{shown} lies on the disk that it is to protect: whoever takes the disk takes the key"),
            "make it a systemd credential bound to the TPM (docs/OPERATIONS.md), or keep it on another device",
        ));
    }
}

/// Pictures that are taken in and go nowhere.
pub(super) fn pictures(config: &Config, out: &mut Vec<Finding>) {
    let about = "images";
    if config.queue.seal == Seal::Disk {
        out.push(Finding::look(
            about,
            "pictures are not taken with queue.seal = \"disk\"",
            "seal for the agency (\"receiver\") if it needs them; an alert then says \"no picture\" to its reader",
        ));
        return;
    }
    let Some(receiver) = &config.receiver else { return };
    let way = match address(&receiver.url) {
        Ok(Address::Mqtt { .. }) => "an MQTT broker",
        Ok(Address::Courier { .. }) => "a courier's stick",
        _ => return,
    };
    out.push(Finding::look(
        about,
        format!("images are not carried by {way}: they stay on the trailer until their age limit"),
        "use HTTPS if the agency needs them; an alert then says \"no picture\" to its reader",
    ));
}

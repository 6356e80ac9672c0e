//! Reads a word, answers a line. See the library.

use nix::time::{ClockId, clock_gettime};
use pintle_lever::act::act;
use pintle_lever::answer::Answer;
use pintle_lever::caller;
use pintle_lever::config::Config;
use pintle_lever::ledger::Ledger;
use pintle_lever::limits::{Now, allow};
use pintle_lever::step::Step;
use std::io::{self, Read as _, Write as _};
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

const CONFIG: &str = "/etc/pintle/lever.toml";
/// A caller that says nothing is left (our own choice).
const WORD_WAIT: Duration = Duration::from_secs(5);
/// Longer than every word.
const WORD_BYTES_MAX: usize = 16;
/// Exit codes. Source: BSD sysexits(3).
const USAGE: u8 = 64;
const NO_INPUT: u8 = 66;
const WRONG_CONFIG: u8 = 78;

const HELP: &str = "pintle-lever: started by pintle-lever.socket for each connection; see docs/OPERATIONS.md.\n\
    pintle-lever [--config FILE]          answer the caller on standard input\n\
    pintle-lever --check [--config FILE]  check the file and leave\n";

fn main() -> ExitCode {
    let mut check = false;
    let mut path = PathBuf::from(CONFIG);
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        match (argument.as_str(), check) {
            ("--check", false) => check = true,
            ("--config", _) => match arguments.next() {
                Some(file) => path = PathBuf::from(file),
                None => return told(USAGE, "--config needs a file"),
            },
            ("--help", _) => return told(0, HELP.trim_end()),
            _ => return told(USAGE, "what is that? The callers' words come over the socket\n"),
        }
    }
    let config = match Config::read(&path) {
        Ok(config) => config,
        Err(error) => {
            if !check && let Ok(mut stream) = caller::connection() {
                let advice = "run `pintle-lever --check` as root at the trailer, and mend what it names";
                send(&mut stream, &Answer::refused(None, "the lever's own file can't be used", advice));
            }
            return told(WRONG_CONFIG, &error.to_string());
        }
    };
    if check {
        return told(0, "the lever's file is in order");
    }
    let Ok(mut stream) = caller::connection() else {
        return told(NO_INPUT, "standard input is no socket; start pintle-lever.socket instead");
    };
    let (uid, step, answer) = serve(&mut stream, &config);
    let word = step.map_or("-", Step::word);
    let why = answer.why.as_deref().unwrap_or("-");
    let line = format!("uid={uid} step={word} outcome={:?} why={why}", answer.outcome);
    send(&mut stream, &answer);
    told(0, &line)
}

/// Who asked, for what, and what came of it.
fn serve(stream: &mut std::os::unix::net::UnixStream, config: &Config) -> (String, Option<Step>, Answer) {
    let Ok(uid) = caller::uid_of(stream) else {
        return ("?".to_owned(), None, Answer::refused(None, "the kernel does not say who asks", "try again"));
    };
    let who = uid.to_string();
    if config.uid() != Some(uid) {
        let advice = "name the agent's user in /etc/pintle/lever.toml; nobody else may ask";
        return (who, None, Answer::refused(None, "this user may not pull the lever", advice));
    }
    let Some(step) = word(stream) else {
        let advice = "send one of renew, cycle, usb, command, reboot, and the end of the line";
        return (who, None, Answer::refused(None, "that is none of the words", advice));
    };
    if !config.steps.contains(&step) {
        let advice = "add it to steps in /etc/pintle/lever.toml if it is wanted";
        return (who, Some(step), Answer::refused(Some(step), "the lever's file does not allow this step", advice));
    }
    (who, Some(step), pull(step, config))
}

fn pull(step: Step, config: &Config) -> Answer {
    let cant = |why: String| {
        let advice = "look at the folder and the disk; without its memory the lever does nothing";
        Answer::refused(Some(step), &why, advice)
    };
    let now = match now() {
        Ok(now) => now,
        Err(error) => return cant(format!("the clock can't be read: {error}")),
    };
    let mut ledger = match Ledger::open(&config.state_dir, &now) {
        Ok(ledger) => ledger,
        Err(error) => return cant(format!("{} can't be used: {error}", config.state_dir.display())),
    };
    if let Err(reached) = allow(step, config.limits(), ledger.taken(), &now) {
        return Answer::refused(
            Some(step),
            &reached.to_string(),
            "wait; the limits keep a broken link from being shaken for ever",
        );
    }
    // Noted before it is done: a loss of power in between counts a step that was not taken, never the other way round.
    if let Err(error) = ledger.note(step, &now) {
        return cant(format!("the step can't be noted in {}: {error}", config.state_dir.display()));
    }
    match act(step, config) {
        Ok(()) => Answer::done(step),
        Err(error) => Answer::failed(step, &error.to_string(), error.advice()),
    }
}

/// The caller's line, if it is one of the words.
fn word(stream: &mut std::os::unix::net::UnixStream) -> Option<Step> {
    stream.set_read_timeout(Some(WORD_WAIT)).ok()?;
    let mut line = Vec::new();
    let mut byte = [0];
    while line.len() < WORD_BYTES_MAX && !line.ends_with(b"\n") {
        match stream.read(&mut byte) {
            Ok(1) => line.push(byte[0]),
            _ => return None,
        }
    }
    Step::asked(&line)
}

fn now() -> io::Result<Now> {
    let utc = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    let boottime = clock_gettime(ClockId::CLOCK_BOOTTIME).map_err(io::Error::from)?;
    let boot = std::fs::read_to_string("/proc/sys/kernel/random/boot_id")?;
    Ok(Now {
        utc_ms: i64::try_from(utc.as_millis()).unwrap_or(i64::MAX),
        boot: boot.trim().to_owned(),
        boottime_ms: boottime.tv_sec() * 1000 + boottime.tv_nsec() / 1_000_000,
    })
}

/// A caller that is gone changes nothing: the step is done and noted.
fn send(stream: &mut std::os::unix::net::UnixStream, answer: &Answer) {
    drop(stream.set_write_timeout(Some(WORD_WAIT)));
    drop(stream.write_all(answer.line().as_bytes()));
}

/// Tells the journal, or whoever runs it by hand.
fn told(code: u8, text: &str) -> ExitCode {
    drop(writeln!(io::stderr().lock(), "{text}"));
    ExitCode::from(code)
}

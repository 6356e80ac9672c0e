//! Reads a word, answers a line. See the library.

use nix::time::{ClockId, clock_gettime};
use pintle_lever::act::{WORD_WAIT, act, switch_on};
use pintle_lever::answer::Answer;
use pintle_lever::caller;
use pintle_lever::config::Config;
use pintle_lever::ledger::Ledger;
use pintle_lever::limits::{Now, allow, is_right};
use pintle_lever::off;
use pintle_lever::step::Step;
use std::io::{self, Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{Instant, SystemTime, UNIX_EPOCH};

const CONFIG: &str = "/etc/pintle/lever.toml";
/// Longer than every word.
const WORD_BYTES_MAX: usize = 16;
/// Exit codes. Source: BSD sysexits(3).
const USAGE: u8 = 64;
const NO_INPUT: u8 = 66;
const TRY_AGAIN: u8 = 75;
const WRONG_CONFIG: u8 = 78;

const HELP: &str = "pintle-lever: started by pintle-lever.socket for each connection; see docs/OPERATIONS.md.\n\
    pintle-lever [--config FILE]          answer the caller on standard input\n\
    pintle-lever --check [--config FILE]  check the file and leave\n\
    pintle-lever --on [--config FILE]     switch on what a lever that was stopped left switched off\n";

fn main() -> ExitCode {
    let (mut check, mut on) = (false, false);
    let mut path = PathBuf::from(CONFIG);
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        match (argument.as_str(), check || on) {
            ("--check", false) => check = true,
            ("--on", false) => on = true,
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
            if !check
                && !on
                && let Ok(mut stream) = caller::connection()
            {
                let advice = "run `pintle-lever --check` as root at the trailer, and mend what it names";
                send(&mut stream, &Answer::refused(None, "the lever's own file can't be used", advice));
            }
            return told(WRONG_CONFIG, &error.to_string());
        }
    };
    if check {
        return told(0, "the lever's file is in order");
    }
    if on {
        return mend(&config);
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

/// After a lever that may have been stopped between off and on.
fn mend(config: &Config) -> ExitCode {
    if !off::path(&config.state_dir).exists() {
        return ExitCode::SUCCESS;
    }
    // The ledger's lock: another lever may be between off and on at this moment, and that is well.
    let mended = now(config).and_then(|now| Ok((Ledger::open(&config.state_dir, &now)?, now))).map(|(_lock, now)| {
        let thing = off::left(&config.state_dir, &now.boot);
        (switch_on(config, &now.boot), thing)
    });
    match mended {
        Ok((Ok(()), None)) => ExitCode::SUCCESS,
        Ok((Ok(()), Some(thing))) => told(0, &format!("{thing:?} was left switched off, and is on again")),
        Ok((Err(error), _)) => told(TRY_AGAIN, &format!("what was left switched off can't be switched on: {error}")),
        Err(error) => told(TRY_AGAIN, &format!("{} can't be used: {error}", config.state_dir.display())),
    }
}

fn pull(step: Step, config: &Config) -> Answer {
    let cant = |why: String| {
        let advice = "look at the folder and the disk; without its memory the lever does nothing";
        Answer::refused(Some(step), &why, advice)
    };
    let now = match now(config) {
        Ok(now) => now,
        Err(error) => return cant(format!("the clock can't be read: {error}")),
    };
    let mut ledger = match Ledger::open(&config.state_dir, &now) {
        Ok(ledger) => ledger,
        Err(error) => return cant(format!("{} can't be used: {error}", config.state_dir.display())),
    };
    // Before anything else, whatever is allowed: what an earlier lever left switched off.
    if let Err(error) = switch_on(config, &now.boot) {
        told(0, &format!("what was left switched off can't be switched on: {error}"));
    }
    if let Err(reached) = allow(step, config.limits(), ledger.taken(), &now) {
        if let Err(error) = ledger.refresh(&now) {
            told(0, &format!("the ages of steps can't be written down in {}: {error}", config.state_dir.display()));
        }
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
    match act(step, config, &now.boot) {
        Ok(()) => Answer::done(step),
        Err(error) => Answer::failed(step, &error.to_string(), error.advice()),
    }
}

/// The caller's line, if it is one of the words and all of it comes in time.
fn word(stream: &mut std::os::unix::net::UnixStream) -> Option<Step> {
    let began = Instant::now();
    let mut line = Vec::new();
    let mut byte = [0];
    while line.len() < WORD_BYTES_MAX && !line.ends_with(b"\n") {
        let left = WORD_WAIT.checked_sub(began.elapsed()).filter(|left| !left.is_zero())?;
        stream.set_read_timeout(Some(left)).ok()?;
        match stream.read(&mut byte) {
            Ok(1) => line.push(byte[0]),
            // A process that was stopped and goes on. Source: signal(7), sockets with a time limit.
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            _ => return None,
        }
    }
    Step::asked(&line)
}

fn now(config: &Config) -> io::Result<Now> {
    let utc = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    let boottime = clock_gettime(ClockId::CLOCK_BOOTTIME).map_err(io::Error::from)?;
    let boot = std::fs::read_to_string("/proc/sys/kernel/random/boot_id")?;
    let utc_ms = i64::try_from(utc.as_millis()).unwrap_or(i64::MAX);
    let boottime_ms = boottime.tv_sec() * 1000 + boottime.tv_nsec() / 1_000_000;
    let right = is_right(touched(&config.clock_mark), utc_ms, boottime_ms);
    Ok(Now { utc_ms, right, boot: boot.trim().to_owned(), boottime_ms })
}

/// When a file was touched last, ms since 1970; `None` if it is not there.
fn touched(path: &Path) -> Option<i64> {
    let since = std::fs::metadata(path).ok()?.modified().ok()?.duration_since(UNIX_EPOCH).ok()?;
    i64::try_from(since.as_millis()).ok()
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

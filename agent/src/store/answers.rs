//! Carries commands out within a transaction, and keeps their answers until it is known how that ends.

use super::db::Db;
use super::handle::{Answer, Command};
use super::{Accepted, Leased, StoreError};
use pintle_core::queue::order::Order;
use pintle_core::queue::retention::{Limits, Room};

/// Written commands whose answers wait for the commit.
pub(super) enum Done {
    Accepted(Answer<Vec<Accepted>>, Vec<Accepted>),
    Counted(Answer<u64>, u64),
    Leased(Answer<Vec<Leased>>, Vec<Leased>),
    Copies(Answer<Vec<Leased>>, Vec<Leased>),
    Plain(Answer<()>),
}

/// Carries a command out; its answer goes into `done`.
pub(super) fn apply(
    db: &mut Db,
    command: Command,
    (limits, room): (&Limits, Room),
    done: &mut Vec<Done>,
) -> rusqlite::Result<()> {
    // On an error the answer must not be lost, so it goes into `done` first; there it is refused with the rest.
    match command {
        Command::Accept { events, now, answer } => {
            done.push(Done::Accepted(answer, Vec::new()));
            let accepted = db.accept(&events, &now)?;
            if let Some(Done::Accepted(_, place)) = done.last_mut() {
                *place = accepted;
            }
        }
        Command::Settle { outcomes, now, answer } => {
            done.push(Done::Plain(answer));
            db.settle(&outcomes, &now)?;
        }
        Command::Restamp { stamps, now, answer } => {
            done.push(Done::Counted(answer, 0));
            let queued = db.restamp(&stamps, &now)?;
            count(done, queued);
        }
        Command::Lease { lane, events_max, bytes_max, now, answer } => {
            done.push(Done::Leased(answer, Vec::new()));
            let leased = db.lease(lane, events_max, bytes_max, &now)?;
            if let Some(Done::Leased(_, place)) = done.last_mut() {
                *place = leased;
            }
        }
        Command::UrgentCopies { skip, events_max, bytes_max, now, answer } => {
            done.push(Done::Copies(answer, Vec::new()));
            let copies = db.urgent_copies(&skip, events_max, bytes_max, &now)?;
            if let Some(Done::Copies(_, place)) = done.last_mut() {
                *place = copies;
            }
        }
        Command::Retry { sequence, now, answer } => {
            done.push(Done::Counted(answer, 0));
            let queued = db.retry(sequence, &now)?;
            count(done, queued);
        }
        Command::Drop { sequence, why, now, answer } => {
            done.push(Done::Counted(answer, 0));
            let dropped = db.drop_refused(sequence, &why, &now)?;
            count(done, dropped);
        }
        Command::Resend { asked, now, answer } => {
            done.push(Done::Counted(answer, 0));
            let listed = db.resend(&asked, &now)?;
            count(done, listed);
        }
        Command::Retire { now, answer } => {
            done.push(Done::Counted(answer, 0));
            let retired = db.retire(limits, room, &now)?;
            count(done, retired);
        }
        Command::Hold { change, now, answer } => {
            done.push(Done::Counted(answer, 0));
            let number = db.change_holds(&change, &now)?;
            count(done, number);
        }
        Command::Images { write, answer } => {
            done.push(Done::Counted(answer, 0));
            let counted = db.write_images(write)?;
            count(done, counted);
        }
        Command::Keep { key, value, answer } => {
            done.push(Done::Plain(answer));
            db.keep(key, &value)?;
        }
        other => refuse(other, &StoreError::Stopped),
    }
    Ok(())
}

fn count(done: &mut [Done], counted: u64) {
    if let Some(Done::Counted(_, place)) = done.last_mut() {
        *place = counted;
    }
}

impl Done {
    pub(super) fn tell(self) {
        match self {
            Self::Accepted(answer, accepted) => tell(answer, Ok(accepted)),
            Self::Counted(answer, count) => tell(answer, Ok(count)),
            Self::Leased(answer, leased) | Self::Copies(answer, leased) => tell(answer, Ok(leased)),
            Self::Plain(answer) => tell(answer, Ok(())),
        }
    }

    /// What was leased in a transaction that failed is not on its way.
    pub(super) fn release(&self, order: &mut Order) {
        if let Self::Leased(_, leased) = self {
            for event in leased {
                order.release(event.sequence);
            }
        }
    }

    pub(super) fn refuse(self, error: &StoreError) {
        match self {
            Self::Accepted(answer, _) => tell(answer, Err(error.clone())),
            Self::Counted(answer, _) => tell(answer, Err(error.clone())),
            Self::Leased(answer, _) | Self::Copies(answer, _) => tell(answer, Err(error.clone())),
            Self::Plain(answer) => tell(answer, Err(error.clone())),
        }
    }
}

/// Who asked may have gone away; then nobody needs the answer.
pub(super) fn tell<T>(answer: Answer<T>, result: Result<T, StoreError>) {
    drop(answer.send(result));
}

pub(super) fn refuse(command: Command, error: &StoreError) {
    match command {
        Command::Accept { answer, .. } => tell(answer, Err(error.clone())),
        Command::Lease { answer, .. } | Command::UrgentCopies { answer, .. } => tell(answer, Err(error.clone())),
        Command::ReleaseLane { answer, .. }
        | Command::Settle { answer, .. }
        | Command::Keep { answer, .. }
        | Command::WentBackwards { answer, .. }
        | Command::RotateKeys { answer }
        | Command::Close { answer } => {
            tell(answer, Err(error.clone()));
        }
        Command::OpenStamps { answer, .. } => tell(answer, Err(error.clone())),
        Command::Restamp { answer, .. }
        | Command::Retire { answer, .. }
        | Command::Resend { answer, .. }
        | Command::Retry { answer, .. }
        | Command::Drop { answer, .. }
        | Command::Hold { answer, .. }
        | Command::Images { answer, .. } => {
            tell(answer, Err(error.clone()));
        }
        Command::Refused { answer } => tell(answer, Err(error.clone())),
        Command::Holds { answer } => tell(answer, Err(error.clone())),
        Command::Held { answer, .. } => tell(answer, Err(error.clone())),
        Command::Sites { answer } => tell(answer, Err(error.clone())),
        Command::Kept { answer, .. } => tell(answer, Err(error.clone())),
        Command::Figures { answer } => tell(answer, Err(error.clone())),
        Command::IdKey { answer } => tell(answer, Err(error.clone())),
        Command::LookAtImages(look) => look.refuse(error),
    }
}

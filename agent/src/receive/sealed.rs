//! Opening sealed reads on their way into the database.

use super::check::{Event, Incoming, Refusal};
use super::content::check_opened;
use crate::seal::{OpenError, Opener, SealedRead};
use pintle_core::ids::EventId;
use pintle_core::moment::Utc;
use serde::Deserialize;
use serde_json::value::RawValue;
use std::collections::BTreeMap;

/// Opens what `opener` has a key for; what is sealed for others stays as it came, and what was altered is refused.
pub(super) fn open_all(opener: &mut Opener, source: &str, events: &mut [Incoming]) {
    for incoming in events {
        let Incoming::Good(event) = incoming else { continue };
        let Some(sealed) = event.sealed.take() else { continue };
        match opened(opener, source, event, &sealed) {
            Ok((time, data)) => {
                event.time = time.unwrap_or_else(|| event.time.clone());
                event.data = data;
            }
            Err(Trouble::NotForUs) => event.sealed = Some(sealed),
            Err(Trouble::Bad(problem)) => {
                let number = Some((event.generation.clone(), event.sequence));
                *incoming = Incoming::Bad(Refusal { id: Some(event.id.clone()), number, problem });
            }
        }
    }
}

enum Trouble {
    NotForUs,
    Bad(String),
}

impl From<OpenError> for Trouble {
    fn from(error: OpenError) -> Self {
        if error == OpenError::NotForUs { Self::NotForUs } else { Self::Bad(error.to_string()) }
    }
}

#[derive(Deserialize)]
struct Captured {
    captured_at: String,
}

/// The capture time and the data with the read in place of what was sealed.
fn opened(
    opener: &mut Opener,
    source: &str,
    event: &Event,
    sealed: &SealedRead,
) -> Result<(Option<String>, String), Trouble> {
    let form = || Trouble::from(OpenError::Form);
    let (id, generation) = EventId::parse(&event.id).zip(EventId::parse(&event.generation)).ok_or_else(form)?;
    let time = Utc::parse_rfc3339(&event.time).ok_or_else(form)?;
    let read = opener.open((source, id), (generation, event.sequence), time, sealed)?;
    let read: Box<RawValue> = serde_json::from_slice(&read).map_err(|_| form())?;
    let captured: Captured = serde_json::from_str(read.get()).map_err(|_| form())?;
    let mut members: BTreeMap<String, Box<RawValue>> = serde_json::from_str(&event.data).map_err(|_| form())?;
    members.remove("sealed");
    members.insert("read".to_owned(), read);
    let data = serde_json::to_string(&members).map_err(|_| form())?;
    check_opened(&event.id, &data, event.hit).map_err(Trouble::Bad)?;
    Ok((Utc::parse_rfc3339(&captured.captured_at).map(Utc::to_rfc3339), data))
}

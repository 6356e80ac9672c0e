//! Open pages: a random name in a cookie, who it is, and until when. They live in memory only and end with the process.

use crate::show::Told;
use aws_lc_rs::constant_time::verify_slices_are_equal;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use pintle_core::moment::Mono;
use std::collections::VecDeque;
use std::sync::Arc;

/// Ends after so long without a person's touch, ms, and after so long in any case. Source: issue of the page; CJIS
/// AC-11, a session locks after 30 minutes at most.
pub(super) const IDLE_MS: u64 = 30 * 60_000;
pub(super) const LONGEST_MS: u64 = 12 * 3_600_000;
/// Open at a time; the longest unused goes first (our own limit).
const OPEN_MAX: usize = 32;
/// Name of the cookie.
pub(super) const COOKIE: &str = "pintle";

/// One open page.
#[derive(Clone)]
pub(super) struct Session {
    name: [u8; 32],
    /// What each form must bring back.
    pub(super) csrf: String,
    /// Who, as they said.
    pub(super) who: String,
    /// The PIN that opened it; a new PIN ends it.
    pin_set: String,
    began: Mono,
    touched: Mono,
    /// What the last deed was answered; told once.
    pub(super) told: Option<Told>,
    /// The form of the last deed: if it comes again before its answer was seen, somebody clicked twice.
    pub(super) last: Vec<(String, String)>,
    /// One deed of a person at a time.
    pub(super) turn: Arc<tokio::sync::Mutex<()>>,
}

/// All of them.
#[derive(Default)]
pub(super) struct Sessions(VecDeque<Session>);

impl Sessions {
    /// Opens one; answers the value of its cookie.
    pub(super) fn open(&mut self, who: String, pin_set: &str, now: Mono) -> String {
        let name: [u8; 32] = rand::random();
        let csrf = URL_SAFE_NO_PAD.encode(rand::random::<[u8; 32]>());
        if OPEN_MAX <= self.0.len()
            && let Some(oldest) = self.0.iter().enumerate().min_by_key(|(_, open)| open.touched).map(|(at, _)| at)
        {
            self.0.remove(oldest);
        }
        self.0.push_back(Session {
            name,
            csrf,
            who,
            pin_set: pin_set.to_owned(),
            began: now,
            touched: now,
            told: None,
            last: Vec::new(),
            turn: Arc::default(),
        });
        URL_SAFE_NO_PAD.encode(name)
    }

    /// The open page of this cookie, if it has not ended. `touch`: a person did this, not the page by itself.
    pub(super) fn find(&mut self, cookie: &str, pin_set: &str, now: Mono, touch: bool) -> Option<&mut Session> {
        self.0.retain(|open| {
            open.pin_set == pin_set && now.since_ms(open.touched) < IDLE_MS && now.since_ms(open.began) < LONGEST_MS
        });
        let name = URL_SAFE_NO_PAD.decode(cookie).ok()?;
        let found = self.0.iter_mut().find(|open| verify_slices_are_equal(&open.name, &name).is_ok())?;
        if touch {
            found.touched = now;
        }
        Some(found)
    }

    /// Ends the one of this cookie.
    pub(super) fn close(&mut self, cookie: &str) {
        let name = URL_SAFE_NO_PAD.decode(cookie).unwrap_or_default();
        self.0.retain(|open| verify_slices_are_equal(&open.name, &name).is_err());
    }
}

impl Session {
    /// Whether a form came from this page.
    pub(super) fn knows(&self, csrf: &str) -> bool {
        verify_slices_are_equal(self.csrf.as_bytes(), csrf.as_bytes()).is_ok()
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn an_open_page_ends_after_half_an_hour_unused_after_twelve_hours_and_with_a_new_pin() {
        let mut sessions = Sessions::default();
        let cookie = sessions.open("T. Wray".to_owned(), "a", Mono(0));
        assert_eq!(sessions.find(&cookie, "a", Mono(IDLE_MS - 1), false).unwrap().who, "T. Wray");
        assert!(sessions.find(&cookie, "a", Mono(IDLE_MS), true).is_none(), "looking by itself keeps nothing open");
        let cookie = sessions.open("T. Wray".to_owned(), "a", Mono(0));
        for at in (0..LONGEST_MS).step_by(1_000_000) {
            assert!(sessions.find(&cookie, "a", Mono(at), true).is_some());
        }
        assert!(sessions.find(&cookie, "a", Mono(LONGEST_MS), true).is_none());
        let cookie = sessions.open("T. Wray".to_owned(), "a", Mono(0));
        assert!(sessions.find(&cookie, "b", Mono(1), true).is_none());
    }

    #[test]
    fn names_are_random_many_are_bounded_and_one_can_be_closed() {
        let mut sessions = Sessions::default();
        let cookies: Vec<String> = (0..100).map(|n| sessions.open(format!("{n}"), "a", Mono(n))).collect();
        assert_eq!(sessions.0.len(), OPEN_MAX);
        assert!(sessions.find(&cookies[0], "a", Mono(100), true).is_none());
        let last = sessions.find(&cookies[99], "a", Mono(100), true).unwrap().clone();
        assert!(last.knows(&last.csrf) && !last.knows("") && !last.knows(&cookies[99]));
        sessions.close(&cookies[99]);
        assert!(sessions.find(&cookies[99], "a", Mono(100), true).is_none());
        assert!(sessions.find("", "a", Mono(100), true).is_none());
    }
}

//! Who sees what. Without an open page there is what `public/` holds and a form for the PIN, whatever is asked for; a
//! bearer token opens one file for a machine; an open page shows the rest, and can do what `deeds` knows.

use super::files::{self, Answer};
use super::pin::Pin;
use super::sessions::{COOKIE, LONGEST_MS, Sessions};
use super::tries::{self, Tries};
use super::{deeds, form, state, tell, tokens};
use crate::clock;
use crate::show::{Doing, Gate as GateForm, Told};
use hyper::Method;
use pintle_core::ids::printable;
use std::net::IpAddr;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::sync::Semaphore;

/// Longest name of a person, characters. Source: the control socket takes no longer one.
const WHO_CHARS_MAX: usize = 80;
/// After a deed the next health files are awaited so long, so that the page shows what was done: all is judged each
/// second.
const AWAIT_NEXT: Duration = Duration::from_millis(1500);
const LOOK_EVERY: Duration = Duration::from_millis(100);
/// A folder that has not answered within this hangs (our own choice: a person waits no longer before a white screen).
const READ_WAIT: Duration = Duration::from_secs(2);
/// So many reads may hang at once; who comes then is answered from what was read last (our own limit: of the threads
/// that may wait, the rest are for PINs and deeds).
const READERS_MAX: usize = 3;

/// So many may wait for their PIN to be compared (our own limit: as many as there are connections).
const OPENERS_MAX: usize = 32;
/// Told where the form of a page comes back that was loaded before the present one was opened.
const OLD_PAGE: &str = "Not done. This page was old; try again.";
/// Told where a form comes back whose page has shut by itself.
const SHUT_MEANWHILE: &str = "Not done. The page had shut by itself; open it and try again.";

/// Where things are, and what is said before the PIN.
#[derive(Clone, Debug)]
pub(super) struct Places {
    pub(super) health: PathBuf,
    pub(super) public: PathBuf,
    pub(super) state: PathBuf,
    pub(super) control: PathBuf,
    /// Said before a PIN is given; the owner's words.
    pub(super) notice: String,
    /// Whether the cookie goes over TLS only.
    pub(super) tls: bool,
}

/// One request, as far as it matters here.
pub(super) struct Asked {
    pub(super) method: Method,
    pub(super) path: String,
    pub(super) source: IpAddr,
    pub(super) cookie: String,
    pub(super) bearer: String,
    /// From this page itself, as the browser says.
    pub(super) same_origin: bool,
    /// A person did this, not the page by itself.
    pub(super) by_person: bool,
    pub(super) form: Vec<(String, String)>,
}

/// Who sent a form.
enum Sender {
    /// This person, from the page that is open now; and the turn of their deeds.
    Known(String, Arc<tokio::sync::Mutex<()>>),
    /// Somebody with an open page, from one that was loaded before it was opened.
    OldPage,
    /// Nobody with an open page.
    Nobody,
}

/// The keeper of the gate.
pub(super) struct Gate {
    places: Places,
    sessions: Mutex<Sessions>,
    tries: Mutex<Tries>,
    /// One PIN is compared at a time: its memory is most of what the page may have.
    comparing: tokio::sync::Mutex<()>,
    readers: Arc<Semaphore>,
    openers: Arc<Semaphore>,
    last: Mutex<LastRead>,
    /// The PIN could not be read the last time.
    shut: AtomicBool,
}

/// What is shown while the health folder hangs.
#[derive(Default)]
struct LastRead {
    cover: Option<Arc<str>>,
    health: Option<Arc<[u8]>>,
}

impl Gate {
    pub(super) fn new(places: Places) -> Self {
        // Counts that can't be read begin anew; a new PIN has 10^8 to guess all the same.
        let tries = state::read_json(&places.state, tries::FILE).ok().flatten().unwrap_or_default();
        Self {
            places,
            sessions: Mutex::default(),
            tries: Mutex::new(tries),
            comparing: tokio::sync::Mutex::default(),
            readers: Arc::new(Semaphore::new(READERS_MAX)),
            openers: Arc::new(Semaphore::new(OPENERS_MAX)),
            last: Mutex::default(),
            shut: AtomicBool::new(false),
        }
    }

    pub(super) async fn answer(self: Arc<Self>, asked: Asked) -> Answer {
        let (method, path) = (asked.method.clone(), asked.path.clone());
        match (method.as_str(), path.as_str()) {
            ("GET" | "HEAD", _) => self.show(asked).await,
            ("POST", "/open" | "/do" | "/leave") if !asked.same_origin => {
                files::told(403, "This form was not sent by this page. Load the page and try again.\n")
            }
            // Both go on when the one who asked hangs up: a guess must count, and a deed must leave its answer.
            ("POST", "/open") => {
                let Ok(place) = Arc::clone(&self.openers).try_acquire_owned() else {
                    return files::told(503, "Too many want to open this page at once. Try again.\n");
                };
                to_the_end(async move {
                    let answer = self.open(asked).await;
                    drop(place);
                    answer
                })
                .await
            }
            ("POST", "/do") => to_the_end(async move { self.act(asked).await }).await,
            ("POST", "/leave") => self.leave(&asked),
            _ => files::told(405, "This can't be done here.\n"),
        }
    }

    async fn show(self: Arc<Self>, asked: Asked) -> Answer {
        // Who comes back to the address of a form means the page.
        if matches!(asked.path.as_str(), "/open" | "/do" | "/leave") {
            return files::see_other();
        }
        let pin = self.pin();
        if let Some(doing) = pin.as_ref().and_then(|pin| self.doing(&asked, &pin.set)) {
            let is_page = matches!(asked.path.as_str(), "/" | "/index.html");
            let gate = Arc::clone(&self);
            let read = self.reading(move |places| {
                if !is_page {
                    return files::answer(&places.health, &asked.path);
                }
                let health = files::health(&places.health);
                if let Some(health) = &health {
                    gate.last().health = Some(Arc::from(health.as_slice()));
                }
                files::open_page(&places.health, health.as_deref(), &doing)
            });
            let read = read.await;
            let last = self.last().health.clone().filter(|_| is_page);
            return read.unwrap_or_else(|| last.and_then(|last| files::remembered(&last)).unwrap_or_else(files::hangs));
        }
        if !asked.bearer.is_empty() && tokens::opens(&self.places.state, &asked.bearer, &asked.path) {
            let read = self.reading(move |places| files::answer(&places.health, &asked.path));
            return read.await.unwrap_or_else(files::hangs);
        }
        match asked.path.as_str() {
            "/" | "/index.html" => self.cover(200, pin.as_ref(), "", "").await,
            _ => {
                let read = self.reading(move |places| files::public(&places.public, &asked.path));
                read.await.unwrap_or_else(files::hangs)
            }
        }
    }

    /// Reads from the folders of the agent, which may lie on a share: `None` if they hang. What hangs keeps its thread.
    pub(super) async fn reading<T: Send + 'static>(
        &self,
        read: impl FnOnce(&Places) -> T + Send + 'static,
    ) -> Option<T> {
        let places = self.places.clone();
        let waited = tokio::time::timeout(READ_WAIT, async {
            // The semaphore is never closed.
            let place = Arc::clone(&self.readers).acquire_owned().await.ok()?;
            let reading = tokio::task::spawn_blocking(move || {
                let read = read(&places);
                drop(place);
                read
            });
            reading.await.ok()
        });
        waited.await.ok().flatten()
    }

    /// The cover with the form for the PIN.
    async fn cover(&self, status: u16, pin: Option<&Pin>, wrong: &str, who: &str) -> Answer {
        let form = GateForm {
            notice: &self.places.notice,
            wrong,
            who,
            pin_set: pin.is_some(),
            second: pin.is_some_and(Pin::has_second),
        };
        match self.reading(|places| files::cover_file(&places.public)).await {
            Some(Some(read)) => {
                let answer = files::cover(&read, status, &form);
                self.last().cover = Some(Arc::from(read));
                answer
            }
            Some(None) => files::none(),
            None => {
                let last = self.last().cover.clone();
                last.map_or_else(files::hangs, |last| files::cover(&last, status, &form))
            }
        }
    }

    async fn open(&self, asked: Asked) -> Answer {
        let Some(pin) = self.pin() else { return self.cover(200, None, "", "").await };
        let (source, now) = (tries::source(asked.source), clock::utc());
        let who = printable(form::field(&asked.form, "who").trim(), WHO_CHARS_MAX);
        let turn = self.comparing.lock().await;
        let wait_ms = self.tries().wait_ms(&source, now);
        if 0 < wait_ms {
            let wait_s = (wait_ms + 999) / 1000;
            let told = format!("Too many wrong PINs. Try again in {wait_s} s. Reads and alerts go on meanwhile.");
            drop(turn);
            let mut answer = self.cover(429, Some(&pin), &told, &who).await;
            answer.more.push(("retry-after", wait_s.to_string()));
            return answer;
        }
        if who.is_empty() {
            let told = "Your name is missing. Write your name or number, for the record.";
            drop(turn);
            return self.cover(422, Some(&pin), told, "").await;
        }
        let (given, code) = (form::field(&asked.form, "pin").to_owned(), form::field(&asked.form, "code").to_owned());
        let (compared, used) = (pin.clone(), self.tries().used_step);
        let matched = tokio::task::spawn_blocking(move || compared.matches(&given, &code, now, used)).await;
        let right = matched.ok().flatten();
        {
            let mut tries = self.tries();
            match right {
                Some(step) => {
                    tries.right(&source, now);
                    tries.used_step = step;
                }
                None => tries.wrong(&source, now),
            }
            // A count that is not on the disk still counts in memory.
            if let Err(error) = state::write_json(&self.places.state, tries::FILE, &*tries) {
                tell(&format!("the count of wrong PINs is kept in memory only: {error}"));
            }
        }
        drop(turn);
        if right.is_none() {
            // At most two a minute for long: what is not compared is not told either.
            tell(&format!("wrong PIN from {source}"));
            let second = if pin.has_second() { "PIN or code" } else { "PIN" };
            let told = format!("That {second} is not right. It has 8 digits and was shown once, when it was set.");
            return self.cover(403, Some(&pin), &told, &who).await;
        }
        tell(&format!("opened by {who} from {source}"));
        let cookie = self.sessions().open(who, &pin.set, clock::mono());
        let secure = if self.places.tls { "; Secure" } else { "" };
        let max_age_s = LONGEST_MS / 1000;
        let mut answer = files::see_other();
        answer.more.push((
            "set-cookie",
            format!("{COOKIE}={cookie}; Path=/; HttpOnly; SameSite=Strict; Max-Age={max_age_s}{secure}"),
        ));
        answer
    }

    async fn act(&self, asked: Asked) -> Answer {
        let Some(pin) = self.pin() else { return self.cover(403, None, "", "").await };
        let (who, turn) = match self.sender(&asked, &pin.set) {
            Sender::Known(who, turn) => (who, turn),
            Sender::OldPage => return files::see_other(),
            // What was written is still in the form behind the browser's back button.
            Sender::Nobody => return self.cover(403, Some(&pin), SHUT_MEANWHILE, "").await,
        };
        let (cookie, pin_set) = (asked.cookie.as_str(), pin.set.as_str());
        let _turn = turn.lock().await;
        let again = {
            let mut sessions = self.sessions();
            let open = sessions.find(cookie, pin_set, clock::mono(), true);
            let told = open.filter(|open| open.last == asked.form).and_then(|open| open.told.clone());
            told.map(|told| told.at)
        };
        if let Some(at) = again {
            return files::see_section(at);
        }
        let (request, done) = match deeds::request(&asked.form, &who) {
            Ok(request) => request,
            Err(deeds::Refused::NoSuchDeed) => {
                return files::told(400, "This page can't do that. Load it again.\n");
            }
            Err(deeds::Refused::Said(why)) => {
                return self.answered(cookie, pin_set, false, format!("Not done. {why}"), "");
            }
        };
        let socket = self.places.control.clone();
        let before = self.reading(|places| (files::generation(&places.health), files::zone(&places.health))).await;
        let (before, zone) = before.unwrap_or_default();
        let asking = tokio::task::spawn_blocking(move || deeds::ask(&socket, &request, &done, &who, &zone));
        let (done, text) = asking.await.unwrap_or_else(|_| (false, "Not done. Try again.".to_owned()));
        if done {
            let next = async {
                while self.reading(|places| files::generation(&places.health)).await == Some(before) {
                    tokio::time::sleep(LOOK_EVERY).await;
                }
            };
            drop(tokio::time::timeout(AWAIT_NEXT, next).await);
        }
        if let Some(open) = self.sessions().find(cookie, pin_set, clock::mono(), true) {
            open.last.clone_from(&asked.form);
        }
        let at = if done { deeds::section(&asked.form) } else { "" };
        self.answered(cookie, pin_set, done, text, at)
    }

    /// Keeps the answer for the page, and goes there.
    fn answered(&self, cookie: &str, pin_set: &str, done: bool, text: String, at: &'static str) -> Answer {
        if let Some(open) = self.sessions().find(cookie, pin_set, clock::mono(), true) {
            open.told = Some(Told { done, text, at });
        }
        files::see_section(at)
    }

    fn leave(&self, asked: &Asked) -> Answer {
        if let Some(pin) = self.pin()
            && let Sender::Known(..) = self.sender(asked, &pin.set)
        {
            self.sessions().close(&asked.cookie);
        }
        files::see_other()
    }

    /// Who sent a form. A page that was loaded before the present one was opened gets told so; what it asked for is not
    /// done, since a stranger's page can't know the word of the present one either.
    fn sender(&self, asked: &Asked, pin_set: &str) -> Sender {
        let mut sessions = self.sessions();
        let Some(open) = sessions.find(&asked.cookie, pin_set, clock::mono(), true) else { return Sender::Nobody };
        if open.knows(form::field(&asked.form, "csrf")) {
            return Sender::Known(open.who.clone(), Arc::clone(&open.turn));
        }
        open.told = Some(Told { done: false, text: OLD_PAGE.to_owned(), at: "" });
        Sender::OldPage
    }

    /// What the open page of this request may do; what its last deed was answered is told once.
    fn doing(&self, asked: &Asked, pin_set: &str) -> Option<Doing> {
        let mut sessions = self.sessions();
        let open = sessions.find(&asked.cookie, pin_set, clock::mono(), asked.by_person)?;
        let first = matches!(asked.path.as_str(), "/" | "/index.html") && asked.method == Method::GET;
        let told = if first { open.told.take() } else { None };
        if told.is_some() {
            // Who has seen the answer and asks for the same again means it.
            open.last.clear();
        }
        Some(Doing { csrf: open.csrf.clone(), who: open.who.clone(), told })
    }

    /// A PIN file that can't be read opens nothing.
    fn pin(&self) -> Option<Pin> {
        match Pin::read(&self.places.state) {
            Ok(pin) => {
                self.shut.store(false, Ordering::Relaxed);
                pin
            }
            Err(error) => {
                // Once, and not at each request: a passer-by must not fill the journal.
                if !self.shut.swap(true, Ordering::Relaxed) {
                    tell(&format!("the page stays shut: {error}\n  what to do: {}", error.advice()));
                }
                None
            }
        }
    }

    fn sessions(&self) -> MutexGuard<'_, Sessions> {
        self.sessions.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn last(&self) -> MutexGuard<'_, LastRead> {
        self.last.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn tries(&self) -> MutexGuard<'_, Tries> {
        self.tries.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Does it to its end, whether or not somebody waits for the answer.
async fn to_the_end(work: impl Future<Output = Answer> + Send + 'static) -> Answer {
    let done = tokio::spawn(work).await;
    done.unwrap_or_else(|_| files::told(500, "This went wrong inside the page server. Load the page again.\n"))
}

/// The value of our cookie among all of them.
pub(super) fn cookie_of(header: &str) -> &str {
    let ours = |pair: &str| pair.trim().strip_prefix(COOKIE).is_some_and(|rest| rest.starts_with('='));
    header
        .split(';')
        .find(|pair| ours(pair))
        .map_or("", |pair| pair.trim().trim_start_matches(COOKIE).trim_start_matches('='))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn our_cookie_is_found_among_others() {
        assert_eq!(cookie_of("a=b; pintle=xyz; pintle2=no"), "xyz");
        assert_eq!(cookie_of("pintle=xyz"), "xyz");
        assert_eq!(cookie_of("pintlex=no"), "");
        assert_eq!(cookie_of(""), "");
    }
}

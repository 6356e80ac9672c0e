//! Pictures: `HEAD` says how much of one is here, `PUT` brings it whole or in parts.

use super::super::images::{self, Added, Announced};
use super::{
    Answer, Names, Refused, Service, answer_of, database, failed, problem, sha256, sha256_of_digest, too_large,
};
use crate::clock;
use crate::receive::check::is_source;
use crate::receive::schema::DatabaseError;
use hyper::body::{Body, Bytes};
use hyper::header::{self, HeaderMap, HeaderValue};
use hyper::{Method, Request, StatusCode};
use pintle_core::images::Address;
use pintle_core::wire::event::{HEADER_CONTENT_DIGEST, HEADER_SOURCE};
use pintle_core::wire::images::{HEADER_COMPLETE, HEADER_OFFSET, HEADER_REPR_DIGEST, IMAGES_PATH, content_range};

/// The address in a path, if it is one of a picture.
pub(super) fn address_in(path: &str) -> Option<&str> {
    path.strip_prefix(IMAGES_PATH)
}

impl Service {
    pub(super) async fn image<B>(&self, request: Request<B>, names: &Names) -> Result<Answer, Refused>
    where
        B: Body<Data = Bytes> + Unpin,
    {
        let (head, body) = request.into_parts();
        let Some(address) = address_in(head.uri.path()).and_then(Address::parse) else {
            let detail = "A picture's name is its SHA-256, 64 hexadecimal digits in lower case.";
            return Err(problem("image-name", StatusCode::BAD_REQUEST, "No name of a picture", detail));
        };
        let source = text(&head.headers, HEADER_SOURCE)
            .filter(|source| is_source(source))
            .ok_or_else(|| bad_header("Pintle-Source", "urn:pintle:trailer:<id of the trailer>"))?;
        self.own_name(names, source).await?;
        let source = source.to_owned();
        let known = self.store.work(move |work| images::announced(work, &source, address)).await;
        let Some(known) = known.map_err(|error| database(&error))? else { return Err(unknown()) };
        let folder = images::folder(&self.folder).map_err(|error| disk(&error))?;
        if head.method == Method::HEAD {
            let offset = images::offset(&folder, address, known);
            if offset == known.bytes && !known.received {
                self.mark(address, known).await.map_err(|error| database(&error))?;
            }
            return Ok(state(StatusCode::OK, offset, offset == known.bytes));
        }
        let part = Part::read(&head.headers, address, known)?;
        if u64::try_from(self.limits.body_bytes_max).is_ok_and(|max| max < part.last + 1 - part.first) {
            return Err(too_large(self.limits.body_bytes_max));
        }
        let (bytes, _held) = self.body(body).await?;
        if bytes.len() as u64 != part.last + 1 - part.first {
            return Err(bad_header("Content-Range", "the part has another length than it says"));
        }
        // One part is written at a time: parts of one file must not mix.
        let _turn = self.picture_turn().await;
        let here = images::offset(&folder, address, known);
        if here == known.bytes {
            self.mark(address, known).await.map_err(|error| database(&error))?;
            return Ok(state(StatusCode::OK, here, true));
        }
        if here != part.first {
            let mut answer = problem(
                "image-offset",
                StatusCode::CONFLICT,
                "Part does not fit",
                "Go on from Upload-Offset; that much is here.",
            );
            told(answer.headers_mut(), here, false);
            return Err(answer);
        }
        let added = tokio::task::spawn_blocking(move || {
            if sha256(&bytes) != part.digest {
                let detail =
                    "The part is not the one that Content-Digest names; it was damaged on its way. Send it again.";
                return Err(problem("digest", StatusCode::BAD_REQUEST, "Digest does not fit", detail));
            }
            images::add(&folder, address, known, part.first, &bytes).map_err(|error| disk(&error))
        })
        .await
        .unwrap_or_else(|_| Err(failed()))?;
        // Its read may have gone while the part was on its way.
        if !self.is_wanted(address, known).await.map_err(|error| database(&error))? {
            return Err(unknown());
        }
        match added {
            Added::Upto(upto) => Ok(state(StatusCode::OK, upto, false)),
            Added::Whole => {
                self.mark(address, known).await.map_err(|error| database(&error))?;
                Ok(state(StatusCode::CREATED, known.bytes, true))
            }
            Added::OtherDigest => {
                let detail =
                    "All bytes came, and they are not the picture of this name. They were thrown away: begin anew.";
                let status = StatusCode::UNPROCESSABLE_ENTITY;
                let mut answer = problem("image-digest", status, "Picture does not fit its name", detail);
                told(answer.headers_mut(), 0, false);
                Err(answer)
            }
        }
    }

    /// After something of a picture was written: whether a read still names it. If not, what was written is gone.
    pub(in crate::receive) async fn is_wanted(
        &self,
        address: Address,
        known: Announced,
    ) -> Result<bool, DatabaseError> {
        let data = self.folder.clone();
        self.store.work(move |work| images::is_wanted(&data, work, known.trailer, address)).await
    }

    /// Writes down that the file is here; it is on the disk already.
    pub(in crate::receive) async fn mark(&self, address: Address, known: Announced) -> Result<(), DatabaseError> {
        let now = clock::utc();
        self.store.work(move |work| images::received(work, known.trailer, address, now)).await
    }
}

fn unknown() -> Refused {
    let detail = "No read of this trailer that is here names this picture. Send the read first.";
    problem("image-unknown", StatusCode::NOT_FOUND, "Picture not announced", detail)
}

/// What the headers of a part tell.
struct Part {
    first: u64,
    last: u64,
    digest: [u8; 32],
}

impl Part {
    fn read(headers: &HeaderMap, address: Address, known: Announced) -> Result<Self, Refused> {
        let digest = text(headers, HEADER_CONTENT_DIGEST)
            .and_then(sha256_of_digest)
            .ok_or_else(|| bad_header("Content-Digest", "sha-256=:<base64 of the part's SHA-256>: (RFC 9530)"))?;
        let whole = text(headers, HEADER_REPR_DIGEST).and_then(sha256_of_digest);
        if whole != Some(address.0) {
            return Err(bad_header("Repr-Digest", "sha-256=:<base64>: of the whole picture, the digest in its name"));
        }
        let range = match text(headers, header::CONTENT_RANGE.as_str()) {
            None => Some((0, known.bytes.saturating_sub(1), known.bytes)),
            Some(range) => content_range(range),
        };
        match range {
            Some((first, last, total)) if total == known.bytes => Ok(Self { first, last, digest }),
            Some(_) => {
                let detail = "The read announces another number of bytes for this picture.";
                Err(problem("image-size", StatusCode::CONFLICT, "Picture of another size", detail))
            }
            None => Err(bad_header("Content-Range", "bytes <first>-<last>/<all>")),
        }
    }
}

fn text<'h>(headers: &'h HeaderMap, name: &str) -> Option<&'h str> {
    headers.get(name).and_then(|value| value.to_str().ok()).map(str::trim)
}

fn bad_header(name: &str, wanted: &str) -> Refused {
    let detail = format!("The header {name} is missing or wrong: {wanted}.");
    problem("header", StatusCode::BAD_REQUEST, "Header missing or wrong", detail)
}

fn state(status: StatusCode, offset: u64, complete: bool) -> Answer {
    let mut answer = answer_of(status, "application/json", Vec::new());
    told(answer.headers_mut(), offset, complete);
    answer
}

fn told(headers: &mut HeaderMap, offset: u64, complete: bool) {
    headers.insert(HEADER_OFFSET, HeaderValue::from(offset));
    headers.insert(HEADER_COMPLETE, HeaderValue::from_static(if complete { "?1" } else { "?0" }));
}

/// The path of the folder is the host's own business.
fn disk(error: &std::io::Error) -> Refused {
    tracing::warn!(%error, "a picture could not be written");
    super::busy("store", "Nothing is stored", "The receiver's disk does not take the picture now. Send it again later.")
}

//! Pictures over HTTP: how much of one the receiver has, and a part of one. Described in `docs/RECEIVER.md`.

use super::{Client, HttpError, PostError, bearer, content_digest, why};
use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use pintle_core::images::Address;
use pintle_core::wire::event::{HEADER_CONTENT_DIGEST, HEADER_SOURCE};
use pintle_core::wire::images::{HEADER_COMPLETE, HEADER_OFFSET, HEADER_REPR_DIGEST};
use pintle_core::wire::problem::MEDIA_TYPE;
use reqwest::header::{self, HeaderMap, HeaderValue};
use reqwest::{Response, StatusCode, Url};

/// What the receiver said of a picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ImageAnswer {
    /// Its status.
    pub status: u16,
    /// Bytes that it has, if it said so.
    pub offset: Option<u64>,
    /// True if it said that it has all of it.
    pub complete: bool,
    /// True if the receiver itself says, by 404 in the form of its problems, that no read there names the picture.
    pub unknown: bool,
    /// True if somebody between has all of it, and the receiver has not said so yet.
    pub handed: bool,
}

/// A part of a picture.
pub struct ImagePart {
    /// Which picture.
    pub address: Address,
    /// Where the part begins.
    pub first: u64,
    /// Bytes of the whole picture.
    pub all: u64,
    /// The part; not empty.
    pub bytes: Vec<u8>,
}

impl Client {
    /// Asks how much of a picture the receiver has.
    ///
    /// # Errors
    /// [`PostError`]: there is no answer.
    pub async fn image_state(&self, source: &str, address: Address) -> Result<ImageAnswer, PostError> {
        let headers = self.image_headers(source).await.map_err(PostError::Own)?;
        let request = self.inner.head(self.image_url(address)).headers(headers).timeout(self.answer_wait);
        request.send().await.map(|answer| said(&answer)).map_err(|error| PostError::NoAnswer(why(&error)))
    }

    /// Sends a part. Dropping the future drops the request.
    ///
    /// # Errors
    /// [`PostError`]: there is no answer.
    pub async fn put_image(&self, source: &str, part: ImagePart) -> Result<ImageAnswer, PostError> {
        let mut headers = self.image_headers(source).await.map_err(PostError::Own)?;
        let last = part.first + (part.bytes.len() as u64).saturating_sub(1);
        let own = [
            (header::CONTENT_TYPE.as_str(), "application/octet-stream".to_owned()),
            (header::CONTENT_RANGE.as_str(), format!("bytes {}-{last}/{}", part.first, part.all)),
            (HEADER_CONTENT_DIGEST, content_digest(&part.bytes)),
            (HEADER_REPR_DIGEST, format!("sha-256=:{}:", BASE64_STANDARD.encode(part.address.0))),
        ];
        for (name, value) in own {
            headers.insert(name_of(name)?, value_of(&value)?);
        }
        let url = self.image_url(part.address);
        let request = self.inner.put(url).headers(headers).body(part.bytes).timeout(self.answer_wait);
        request.send().await.map(|answer| said(&answer)).map_err(|error| PostError::NoAnswer(why(&error)))
    }

    async fn image_headers(&self, source: &str) -> Result<HeaderMap, HttpError> {
        let mut headers = HeaderMap::new();
        let value = HeaderValue::from_str(source).map_err(|error| HttpError::Setup { detail: error.to_string() })?;
        headers.insert(HEADER_SOURCE, value);
        if let Some(path) = &self.token_file {
            headers.insert(header::AUTHORIZATION, bearer(self.keys.token_file, path).await?);
        }
        Ok(headers)
    }

    /// Beside the address of events: `…/v1/events` gives `…/v1/images/<digest>`.
    fn image_url(&self, address: Address) -> Url {
        // Sixty-four digits behind a plain word always join.
        self.url.join(&format!("images/{address}")).unwrap_or_else(|_| self.url.clone())
    }
}

fn name_of(name: &str) -> Result<header::HeaderName, PostError> {
    name.parse().map_err(|_| PostError::Own(HttpError::Setup { detail: "a header's name".to_owned() }))
}

fn value_of(value: &str) -> Result<HeaderValue, PostError> {
    value.parse().map_err(|_| PostError::Own(HttpError::Setup { detail: "a header's value".to_owned() }))
}

/// The body of an answer is of no use here and is not read.
fn said(answer: &Response) -> ImageAnswer {
    let text = |name: &str| answer.headers().get(name).and_then(|value| value.to_str().ok());
    ImageAnswer {
        status: answer.status().as_u16(),
        offset: text(HEADER_OFFSET).and_then(|offset| offset.parse().ok()),
        complete: text(HEADER_COMPLETE) == Some("?1"),
        unknown: answer.status() == StatusCode::NOT_FOUND
            && text(header::CONTENT_TYPE.as_str()).is_some_and(|media_type| media_type.starts_with(MEDIA_TYPE)),
        handed: false,
    }
}

//! The ways that pictures can take: parts over HTTPS, or an object store of NATS. Brokers of MQTT and couriers carry
//! none.

use super::http::images::{ImageAnswer, ImagePart};
use super::http::{Client, PostError};
use super::nats::pictures::Pictures;
use super::target::{Address as Way, OwnFault, TargetError, address};
use super::tls::TlsTime;
use crate::config::Receiver;
use pintle_core::forward::answer::NoAnswer;
use pintle_core::images::Address;
use pintle_core::wire::images::PictureReceipt;

/// Whether pictures can go to this address of a receiver.
#[must_use]
pub fn are_carried(url: &str) -> bool {
    matches!(address(url), Ok(Way::Http | Way::Nats { .. }))
}

/// One open way.
pub enum PictureWay {
    /// An HTTPS endpoint.
    Https(Box<Client>),
    /// A NATS cluster.
    Nats(Box<Pictures>),
}

impl PictureWay {
    /// Opens the way of the configured receiver for the trailer called `source`.
    ///
    /// # Errors
    /// [`NoAnswer::OwnFile`]: our own files or configuration; else nobody is there.
    pub async fn open(receiver: &Receiver, source: &str, time: &TlsTime) -> Result<Self, NoAnswer> {
        let opened = match address(&receiver.url) {
            Ok(Way::Nats { servers, tls }) => {
                Pictures::open(&servers, tls, (receiver, time), source).await.map(|way| Self::Nats(Box::new(way)))
            }
            Ok(Way::Http) => match Client::open(receiver, time).await {
                Ok(way) => Ok(Self::Https(Box::new(way))),
                Err(error) => Err(error.into()),
            },
            _ => return Err(NoAnswer::OwnFile),
        };
        opened.map_err(|error| match error {
            TargetError::NoAnswer(why) => why,
            TargetError::NoRight(_) => NoAnswer::NoRight,
            TargetError::Own(_) => NoAnswer::OwnFile,
        })
    }

    /// What the other end refuses, where it said so beside its answers.
    #[must_use]
    pub fn refused(&self) -> Option<OwnFault> {
        match self {
            Self::Https(_) => None,
            Self::Nats(pictures) => pictures.refused(),
        }
    }

    /// How much of a picture of so many bytes is there.
    ///
    /// # Errors
    /// [`NoAnswer`]
    pub async fn state(&mut self, source: &str, address: Address, bytes: u64) -> Result<ImageAnswer, NoAnswer> {
        match self {
            Self::Https(client) => client.image_state(source, address).await.map_err(|error| why(&error)),
            Self::Nats(pictures) => pictures.state(address, bytes).await,
        }
    }

    /// Sends a part.
    ///
    /// # Errors
    /// [`NoAnswer`]
    pub async fn put(&mut self, source: &str, part: ImagePart) -> Result<ImageAnswer, NoAnswer> {
        match self {
            Self::Https(client) => client.put_image(source, part).await.map_err(|error| why(&error)),
            Self::Nats(pictures) => pictures.put(part).await,
        }
    }

    /// What became of pictures that are handed over. Cancel safe; waits for ever where the answers say it.
    pub async fn receipts(&mut self) -> Vec<PictureReceipt> {
        match self {
            Self::Https(_) => std::future::pending().await,
            Self::Nats(pictures) => pictures.receipts().await,
        }
    }
}

fn why(error: &PostError) -> NoAnswer {
    match error {
        PostError::NoAnswer(why) => *why,
        PostError::Own(_) => NoAnswer::OwnFile,
    }
}

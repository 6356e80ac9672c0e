//! Requests from one actor to another, with the answer's way back.

use pintle_core::health::duty::{Ack, DutyBook};
use pintle_core::health::ready::Tick;
use pintle_core::ids::{CameraId, SiteId};
use pintle_core::position::PositionView;
use pintle_core::position::places::{LineMeant, LineState, PlaceLine};
use std::sync::Arc;
use tokio::sync::oneshot;

/// What a person asks of the position actor.
#[derive(Debug)]
pub enum PositionRequest {
    /// About place lines.
    Place(PlaceRequest),
    /// About the announced tow.
    Tow(TowRequest),
}

/// What a person says of a planned move. It is durable and queued for the receiver before the answer.
#[derive(Debug)]
pub enum TowRequest {
    /// It is going to begin, or lasts longer.
    Begin {
        /// For how long from now on, s.
        for_s: u64,
        /// True to give the announced one a new end.
        extend: bool,
        /// Why; may be empty.
        reason: String,
        /// Who says so.
        by: String,
        /// Where the answer goes: what holds now.
        answer: oneshot::Sender<Result<Arc<PositionView>, PlaceProblem>>,
    },
    /// It is over.
    End {
        /// Who says so.
        by: String,
        /// Where the answer goes: what holds now.
        answer: oneshot::Sender<Result<Arc<PositionView>, PlaceProblem>>,
    },
}

/// What a person asks of the place table. The position actor owns the table and answers.
#[derive(Debug)]
pub enum PlaceRequest {
    /// All lines of the current site, and of the nearest earlier one if the current one has none.
    List {
        /// Where the answer goes.
        answer: oneshot::Sender<Result<Vec<PlaceRow>, PlaceProblem>>,
    },
    /// Write a line for the current site; it is confirmed by that.
    Set {
        /// Which camera.
        camera: CameraId,
        /// Road, at most 160 characters.
        road: String,
        /// Cross street, may be empty.
        cross_street: String,
        /// Direction of travel, may be empty.
        direction: String,
        /// Who says so.
        by: String,
        /// Where the answer goes.
        answer: oneshot::Sender<Result<Vec<PlaceRow>, PlaceProblem>>,
    },
    /// Say that the unconfirmed line of one camera (or of all) is right here.
    Confirm {
        /// Which camera; `None` for all that have a line.
        camera: Option<CameraId>,
        /// Only if the camera has this line at this site, and it is sure that the trailer stands there.
        meant: Option<LineMeant>,
        /// Who says so.
        by: String,
        /// Where the answer goes.
        answer: oneshot::Sender<Result<Vec<PlaceRow>, PlaceProblem>>,
    },
}

/// One camera's line, for people.
#[derive(Clone, Debug, PartialEq)]
pub struct PlaceRow {
    /// Which camera.
    pub camera: CameraId,
    /// Which site it is asked for; `None` if the trailer stands at none.
    pub site: Option<SiteId>,
    /// The line, if there is one (possibly of an earlier site).
    pub line: Option<PlaceLine>,
    /// How far it may be believed.
    pub state: LineState,
    /// What alerts of this camera say now, ready to show.
    pub sentence: String,
    /// What is missing from the line, one sentence; empty if nothing.
    pub advice: String,
}

/// Why a place request was refused; the text says what to do.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{detail}")]
pub struct PlaceProblem {
    /// One sentence, ready to show.
    pub detail: String,
}

/// A person has looked at something that Pintle can't see. It is durable before the answer.
#[derive(Debug)]
pub struct TickRequest {
    /// What was looked at.
    pub tick: Tick,
    /// True to take it back.
    pub undo: bool,
    /// Who says so.
    pub by: String,
    /// Where the answer goes.
    pub answer: oneshot::Sender<Result<(), PlaceProblem>>,
}

/// What a person says of the trailer's duty, or of a need. It is durable before the answer.
#[derive(Debug)]
pub struct DutyRequest {
    /// What is said.
    pub word: DutyWord,
    /// Who says so.
    pub by: String,
    /// Where the answer goes: what holds now.
    pub answer: oneshot::Sender<Result<Arc<DutyBook>, PlaceProblem>>,
}

/// What a person may say of duty and needs.
#[derive(Debug)]
pub enum DutyWord {
    /// Reading is paused.
    Off {
        /// For how long from now on, s.
        for_s: u64,
        /// Why.
        reason: String,
    },
    /// Reading goes on.
    On,
    /// A need is in hand.
    Ack(Ack),
    /// It is not.
    TakeBack {
        /// Rule of the need.
        code: String,
    },
}

//! What people ask of the place table and say of tows.

use crate::actors::messages::{PlaceProblem, PlaceRequest, PlaceRow, TowRequest};
use pintle_core::geo::LatLon;
use pintle_core::ids::{CameraId, SiteId};
use pintle_core::moment::Moment;
use pintle_core::position::PositionView;
use pintle_core::position::keeper::{KeeperAction, SiteKeeper, TowProblem};
use pintle_core::position::places::{LineMeant, LineProblem, LineState, PlaceLine, site_for_lines};
use pintle_core::read::stamp::{StampBasis, stamp};
use std::sync::Arc;
use tokio::sync::oneshot;

/// The way back of an answer.
pub(super) type Answer = oneshot::Sender<Result<Vec<PlaceRow>, PlaceProblem>>;

/// The same for a tow.
pub(super) type TowAnswer = oneshot::Sender<Result<Arc<PositionView>, PlaceProblem>>;

/// Does what was said of a tow; what follows from it is in `out`.
pub(super) fn tow(
    request: TowRequest,
    keeper: &mut SiteKeeper,
    now: &Moment,
    out: &mut Vec<KeeperAction>,
) -> (TowAnswer, Result<(), PlaceProblem>) {
    let refused = |problem: TowProblem| PlaceProblem { detail: format!("{problem}; {}", problem.advice()) };
    match request {
        TowRequest::Begin { for_s, extend, reason, by, answer } => {
            let result = if extend {
                keeper.tow_extend(&by, &reason, for_s, now, out)
            } else {
                keeper.tow_begin(&by, &reason, for_s, now, out)
            };
            (answer, result.map(drop).map_err(refused))
        }
        TowRequest::End { by, answer } => (answer, keeper.tow_end(&by, out).map(drop).map_err(refused)),
    }
}

/// Does what was asked. Says whether the table was changed, so that it must be kept before the answer.
pub(super) fn change(
    request: PlaceRequest,
    keeper: &mut SiteKeeper,
    cameras: &[CameraId],
    now: &Moment,
) -> (Answer, Result<bool, PlaceProblem>) {
    match request {
        PlaceRequest::List { answer } => (answer, Ok(false)),
        PlaceRequest::Set { camera, road, cross_street, direction, by, answer } => {
            let line = PlaceLine { road, cross_street, direction, by, at: now.utc };
            let result = known(Some(&camera), cameras).and_then(|()| {
                let (site, position) = here(keeper)?;
                keeper.places_mut().set(site, position, &camera, line).map_err(|problem| told(&problem))
            });
            (answer, result.map(|()| true))
        }
        PlaceRequest::Confirm { camera, meant, by, answer } => {
            let result = known(camera.as_ref(), cameras).and_then(|()| {
                let (site, position) = here(keeper)?;
                if let Some(meant) = meant {
                    fits(keeper, site, camera.as_ref(), &meant).map_err(|problem| told(&problem))?;
                }
                let table = keeper.places_mut();
                table.confirm(site, position, camera.as_ref(), &by, now.utc).map_err(|problem| told(&problem))
            });
            (answer, result.map(|_| true))
        }
    }
}

/// A row for each camera: its line, and what its alerts say now.
pub(super) fn rows(keeper: &SiteKeeper, view: &PositionView, cameras: &[CameraId], now: &Moment) -> Vec<PlaceRow> {
    let site = keeper.site().map(|site| site.id);
    let newest = keeper.places().sites.keys().next_back().copied();
    let waits = site_for_lines(view).err().map(|problem| told(&problem).detail);
    let row = |camera: &CameraId| {
        let (line, state) = site.or(newest).map_or((None, LineState::Missing), |id| keeper.places().line(id, camera));
        let (state, advice) = match site {
            Some(id) => (state, waits.clone().unwrap_or_else(|| keeper.places().advice(id, camera))),
            // A line of the last site says nothing about where the trailer is now.
            None if state == LineState::Missing => (state, LineProblem::NoSite.advice().to_owned()),
            None => (LineState::Unconfirmed, LineProblem::NoSite.advice().to_owned()),
        };
        PlaceRow {
            camera: camera.clone(),
            site,
            line: line.cloned(),
            state,
            sentence: stamp(camera, now.utc, 1, &StampBasis { view, now }).line,
            advice,
        }
    };
    cameras.iter().map(row).collect()
}

/// The site that a line goes to now. What was published last may be older than the newest fix, so the keeper is asked.
fn here(keeper: &SiteKeeper) -> Result<(SiteId, LatLon), PlaceProblem> {
    let mut view = PositionView::default();
    keeper.fill(&mut view);
    site_for_lines(&view).map_err(|problem| told(&problem))
}

/// Whoever means a line and does not stand there must mean this one, and the trailer must be where it says.
fn fits(keeper: &SiteKeeper, site: SiteId, camera: Option<&CameraId>, meant: &LineMeant) -> Result<(), LineProblem> {
    let camera = camera.ok_or(LineProblem::NothingToConfirm { camera: None })?;
    keeper.places().fits(site, camera, meant)
}

fn known(camera: Option<&CameraId>, cameras: &[CameraId]) -> Result<(), PlaceProblem> {
    match camera {
        Some(camera) if !cameras.contains(camera) => {
            let names: Vec<&str> = cameras.iter().map(CameraId::as_str).collect();
            let detail = format!("there is no camera {}; the cameras are: {}", camera.as_str(), names.join(", "));
            Err(PlaceProblem { detail })
        }
        _ => Ok(()),
    }
}

fn told(problem: &LineProblem) -> PlaceProblem {
    PlaceProblem { detail: format!("{problem}; {}", problem.advice()) }
}

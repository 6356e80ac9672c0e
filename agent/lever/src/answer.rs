//! The one line that the caller gets.

use crate::step::Step;
use serde::{Deserialize, Serialize};

/// How it ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Outcome {
    /// It was done. Whether it helped is for the caller to see.
    Done,
    /// It was begun and failed.
    Failed,
    /// Nothing was done.
    Refused,
}

/// The answer.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Answer {
    /// What was asked for; `None` if it was none of the five words.
    pub step: Option<Step>,
    /// How it ended.
    pub outcome: Outcome,
    /// Why, if it was not done: one sentence.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
    /// What to do about that: one sentence.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub advice: Option<String>,
}

impl Answer {
    /// It was done.
    #[must_use]
    pub fn done(step: Step) -> Self {
        Self { step: Some(step), outcome: Outcome::Done, why: None, advice: None }
    }

    /// Nothing was done.
    #[must_use]
    pub fn refused(step: Option<Step>, why: &str, advice: &str) -> Self {
        Self { step, outcome: Outcome::Refused, why: Some(why.to_owned()), advice: Some(advice.to_owned()) }
    }

    /// It was begun and failed.
    #[must_use]
    pub fn failed(step: Step, why: &str, advice: &str) -> Self {
        Self { step: Some(step), outcome: Outcome::Failed, why: Some(why.to_owned()), advice: Some(advice.to_owned()) }
    }

    /// As one line.
    #[must_use]
    pub fn line(&self) -> String {
        // Two short texts and two words always become JSON.
        let mut line = serde_json::to_string(self).unwrap_or_default();
        line.push('\n');
        line
    }
}

//! A scripted trailer: drive, traffic, link. One seed makes everything.

pub mod altered;
pub mod judge;
pub mod random;
pub mod recorded;
pub mod scene;
pub mod sentences;
pub mod sky;
pub mod stays;
pub mod track;
pub mod traffic;
pub mod trials;

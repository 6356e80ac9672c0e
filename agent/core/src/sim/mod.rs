//! A scripted trailer: drive, traffic, link. One seed makes everything.

pub mod random;

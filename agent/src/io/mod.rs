//! Adapters: each wraps one thing of the outside world and decides nothing.

pub mod access;
pub mod beneath;
pub mod chrony;
pub mod control;
pub mod courier;
pub mod files;
pub mod gzip;
pub mod http;
pub mod lever;
pub mod meters;
pub mod mqtt;
pub mod names;
pub mod nats;
pub mod netif;
pub mod netlink;
pub mod pictures;
pub mod probe;
pub mod serial;
pub mod signed;
pub mod target;
pub mod thumbnail;
pub mod timesync;
pub mod tls;

//! Names that do not resolve, or resolve to somebody else: reads wait, and go as soon as they can.

#[path = "support"]
mod support {
    pub(crate) mod frames;
    pub(crate) mod netns;
    pub(crate) mod trailer;
}

use std::net::IpAddr;
use std::time::Duration;
use support::netns::{NAME, Names, OTHER, RECEIVER, Rig};

/// How long a delivery may take once it can be made again; only a failing test waits so long.
const PATIENCE: Duration = Duration::from_mins(2);

#[test]
fn fault_63_names_that_fail_at_the_start_lie_or_fail_later_cost_no_read() {
    let Some(mut rig) = Rig::build("") else { return };
    // Nothing resolves when the agent starts: what the resolver says then must not stay.
    rig.names().mode = Names::Nobody;
    rig.certify(NAME, (2020, 2060));
    rig.start_receiver(IpAddr::V4(RECEIVER), &[]);
    rig.trailer.start();
    rig.engine(Duration::from_millis(400));
    std::thread::sleep(Duration::from_secs(2));
    assert_eq!(rig.received(), 0);
    rig.names().mode = Names::Honest;
    rig.wait_delivered(PATIENCE);
    // Somebody else under the receiver's name gets nothing: he has not its certificate.
    rig.names().mode = Names::Lies(OTHER);
    rig.rule("over drop");
    std::thread::sleep(Duration::from_secs(1));
    rig.no_rules();
    std::thread::sleep(Duration::from_secs(2));
    rig.names().mode = Names::Honest;
    rig.wait_delivered(PATIENCE);
    // The name server is gone for good, and every connection with it: the address counts that answered last.
    rig.names().mode = Names::Silent;
    rig.stop_receiver();
    std::thread::sleep(Duration::from_secs(1));
    rig.start_receiver(IpAddr::V4(RECEIVER), &[]);
    rig.wait_delivered(PATIENCE);
    assert_eq!(rig.names().mode, Names::Silent, "without any name");
}

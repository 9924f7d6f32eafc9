//! `[bus.NAME.standby]`: a second box that may poll the bus.

use schemars::JsonSchema;
use serde::Deserialize;

use super::super::quantity::Lasting;

/// How two boxes agree on who polls a bus.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Standby {
    /// Name of the broker that both boxes hear.
    pub broker: Option<String>,
    /// `IP address:port` of the other box, where it can be asked.
    pub peer: Option<String>,
    /// `IP address:port` where this box is asked.
    pub listen: Option<String>,
    /// How long a box polls after its last sign that counted. The other one begins after twice that. From 1 s to 5 min. Default 10 s.
    pub term: Option<Lasting>,
    /// Whether this box takes the bus back when it returns. Default false.
    pub preferred: Option<bool>,
    /// What the box that polls does when it reaches neither the broker nor the other box. Default `stop`.
    pub alone: Option<AloneWord>,
}

/// What a box that polls does when it is cut off.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum AloneWord {
    /// It stops.
    Stop,
    /// It goes on.
    Poll,
}

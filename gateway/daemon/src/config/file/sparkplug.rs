//! `[broker.NAME.sparkplug]`: what plant systems see of the shop.

use schemars::JsonSchema;
use serde::Deserialize;

use super::super::quantity::Lasting;

/// An edge node of Sparkplug B.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Sparkplug {
    /// Its group. Default the site's name.
    pub group: Option<String>,
    /// Its name in the group. Default the box's name.
    pub node: Option<String>,
    /// Id of the host that must be online before anything is published. Default none.
    pub primary_host: Option<String>,
    /// How often it is looked for changes. From 1 s to 1 h. Default 5 s.
    pub every: Option<Lasting>,
    /// A number goes out again when it has moved by more than so many percent of itself. From 0 to 20. Default 0: when it has moved.
    pub deadband_percent: Option<f64>,
}

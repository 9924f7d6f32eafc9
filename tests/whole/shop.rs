//! The shop of every story: its configuration, what truly goes on in it, and the devices that measure it.
//!
//! Every number a probe says is one of a kind: below its second decimal it carries how many the probe has said before.

use std::collections::BTreeMap;
use std::sync::OnceLock;

use sumpwarden::config::{Settings, load};
use sumpwarden_core::model::ProbeIndex;
use sumpwarden_sim::rng::Rng;

/// Two sumps on two Modbus lines, a third whose probes publish.
const TEXT: &str = r#"
[site]
name = "hall-2"

[bus.left]
link = "modbus-tcp"
address = "192.0.2.1:502"
[bus.right]
link = "modbus-tcp"
address = "192.0.2.2:502"
[device.d1]
bus = "left"
unit_id = 1
[device.d2]
bus = "left"
unit_id = 2
[device.d3]
bus = "right"
unit_id = 1
[broker.shop]
address = "192.0.2.3:1883"

[receiver.setter]
webhook = { url = "http://192.0.2.4/alarms" }
[receiver.lead]
webhook = { url = "http://192.0.2.5/alarms" }
step = 1

[water.mains]
hardness = "240 mg/L"
[fluid.semi]
refractometer_factor = 1.4
conductivity_curve = [[0, 560], [5, 1290], [12, 2190]]
"#;

/// One sump with a probe for level, pH and temperature, and limits on the first two.
fn sump(name: &str, probe: impl Fn(&str, usize) -> String) -> String {
    let mut text = format!(
        "\n[sump.{name}]\ntitle = \"{name}\"\nfluid = \"semi\"\nwater = \"mains\"\ntarget_percent = 7\n\
         fill_mark = \"310 mm\"\npump_minimum = \"80 mm\"\n\
         tank = {{ shape = \"box\", length = \"1200 mm\", width = \"700 mm\", height = \"400 mm\" }}\n"
    );
    for (place, (quantity, scale, unit)) in
        [("level", 1e-5, "mm"), ("ph", 1e-6, ""), ("temperature", 1e-5, "Cel")].into_iter().enumerate()
    {
        let unit = if unit.is_empty() { String::new() } else { format!("unit = \"{unit}\"\n") };
        text += &format!(
            "[sump.{name}.probe.{quantity}]\nquantity = \"{quantity}\"\n{unit}frozen = false\nspike = false\n{}scale = {scale}\n",
            probe(quantity, place)
        );
    }
    text + &format!(
        "[sump.{name}.limit.level-low]\nof = \"level\"\nlow = \"150 mm\"\ndeadband = \"10 mm\"\non_delay = \"2 min\"\noff_delay = \"1 min\"\npriority = \"high\"\n\
         [sump.{name}.limit.ph-low]\nof = \"ph\"\nlow = 8.6\ndeadband = 0.1\non_delay = \"5 min\"\noff_delay = \"2 min\"\npriority = \"medium\"\n"
    )
}

fn text() -> String {
    let register = |device: &str, place: usize| {
        format!(
            "device = \"{device}\"\nregister = \"input:{}\"\nnumber = \"u32\"\nevery = \"30 s\"\n",
            2 * place
        )
    };
    let first = |_: &str, place: usize| register(if place == 2 { "d2" } else { "d1" }, place);
    let published = |quantity: &str, _: usize| {
        format!(
            "broker = \"shop\"\ntopic = \"hall/{quantity}\"\njson = {{ value = \"/v\", time = \"/ts\" }}\nevery = \"30 s\"\n"
        )
    };
    TEXT.to_owned()
        + "[forward.tsdb]\nurl = \"http://192.0.2.6:8086\"\norganisation = \"shop\"\nbucket = \"coolant\"\ntoken_file = \"token\"\n"
        + &sump("s1", first)
        + &sump("s2", |_, place| register("d3", place))
        + &sump("s3", published)
}

/// What the program reads from the configuration of the story.
pub(crate) fn settings() -> Settings {
    static SETTINGS: OnceLock<Settings> = OnceLock::new();
    let read = || {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let file = directory.path().join("shop.toml");
        std::fs::write(&file, text()).expect("written");
        let token = directory.path().join("token");
        std::fs::write(&token, "secret").expect("written");
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt as _;
            std::fs::set_permissions(&token, std::fs::Permissions::from_mode(0o600)).expect("ours");
        }
        load(&file).unwrap_or_else(|report| panic!("{report}")).settings
    };
    SETTINGS.get_or_init(read).clone()
}

/// Value of a probe that is well, by place within its sump: level, pH, temperature.
const WELL: [f64; 3] = [300.0, 9.1, 24.0];
/// Value past its limit; the temperature has none.
const ILL: [f64; 3] = [120.0, 8.2, 31.0];
/// Counts in a unit of the quantity's last digit that matters.
const STEPS: [f64; 3] = [10.0, 100.0, 10.0];

/// How many probes there are.
pub(crate) const PROBES: usize = 9;

/// What is true, and what has been said of it.
#[derive(Debug)]
pub(crate) struct Plant {
    ill: [bool; PROBES],
    said: [u64; PROBES],
    /// Every number that was ever said, by probe and bits, with its place in the order.
    pub(crate) issued: BTreeMap<(usize, u64), u64>,
}

impl Plant {
    pub(crate) fn new() -> Self {
        Self { ill: [false; PROBES], said: [0; PROBES], issued: BTreeMap::new() }
    }

    /// A process value goes past its limit, or comes back.
    pub(crate) fn turn(&mut self, rng: &mut Rng) -> (usize, bool) {
        let probe = rng.below(PROBES as u64) as usize;
        self.ill[probe] = !self.ill[probe];
        (probe, self.ill[probe])
    }

    /// Whether a probe's true value is past its limit.
    pub(crate) fn is_ill(&self, probe: ProbeIndex) -> bool {
        self.ill[probe.0 as usize]
    }

    /// True value of a probe.
    pub(crate) fn truth(&self, probe: ProbeIndex) -> f64 {
        let probe = probe.0 as usize;
        if self.ill[probe] { ILL[probe % 3] } else { WELL[probe % 3] }
    }

    /// What the probe says next, in its own counts.
    pub(crate) fn say(&mut self, probe: usize) -> u32 {
        self.said[probe] += 1;
        let value = self.truth(ProbeIndex(probe as u32));
        let counts = (value * STEPS[probe % 3]).round() as u32 * 10_000 + (self.said[probe] % 10_000) as u32;
        self.issued.insert((probe, f64::from(counts).to_bits()), self.said[probe]);
        counts
    }

    /// Nonsense that no probe could mean.
    pub(crate) fn nonsense(&mut self, probe: usize) -> u32 {
        self.said[probe] += 1;
        let counts = 4_000_000_000 + self.said[probe] as u32;
        self.issued.insert((probe, f64::from(counts).to_bits()), self.said[probe]);
        counts
    }
}

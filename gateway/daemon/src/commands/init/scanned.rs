//! The devices of a scan, as `scan --json` wrote them.

use serde_json::Value;

use super::answers::Answers;

/// Largest file of a scan.
const BYTES_MAX: u64 = 8 << 20;

/// What a scan found.
#[derive(Clone, PartialEq, Default, Debug)]
pub(super) struct Scanned {
    /// Devices in the order of the scan.
    pub(super) devices: Vec<Device>,
}

/// One device.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Device {
    pub(super) name: String,
    pub(super) bus: String,
    pub(super) unit: u64,
    /// Keys of its bus with their values, as TOML writes them.
    pub(super) at: Vec<(String, String)>,
    candidates: Vec<Value>,
    registers_max: Option<u64>,
}

impl Device {
    /// Most registers of a reply, where it has a limit of its own.
    pub(super) fn registers_max(&self) -> Option<u64> {
        self.registers_max
    }
}

impl Scanned {
    /// Reads the file at `path`.
    ///
    /// # Errors
    /// What is wrong with it.
    pub(super) fn open(path: &std::path::Path) -> Result<Self, String> {
        let cannot = |error: std::io::Error| format!("{}: {error}", path.display());
        if std::fs::metadata(path).map_err(cannot)?.len() > BYTES_MAX {
            return Err(format!("{}: too large for what a scan writes", path.display()));
        }
        let text = std::fs::read_to_string(path).map_err(cannot)?;
        Self::read(&text).ok_or_else(|| {
            format!(
                "{}: not what `scan --json` writes; make it by `sumpwarden scan … --json > FILE`",
                path.display()
            )
        })
    }

    fn read(text: &str) -> Option<Self> {
        let root: Value = serde_json::from_str(text).ok()?;
        let devices = root["devices"].as_array()?.iter().map(device).collect::<Option<Vec<_>>>()?;
        Some(Self { devices })
    }

    /// The device of this name.
    pub(super) fn device(&self, name: &str) -> Option<&Device> {
        self.devices.iter().find(|device| device.name == name)
    }

    /// The first device that no sump has yet.
    pub(super) fn unused(&self, answers: &Answers) -> Option<String> {
        let taken = |name: &str| {
            (1..=self.devices.len()).any(|n| {
                ["device", "where"].iter().any(|k| answers.get(&format!("sump.{n}.{k}")) == Some(name))
            })
        };
        self.devices.iter().map(|device| &device.name).find(|name| !taken(name)).cloned()
    }

    /// The register that the scan proposes for a quantity, as it would be typed.
    pub(super) fn best(&self, name: &str, quantity: &str) -> Option<String> {
        let candidates = &self.device(name)?.candidates;
        let best = candidates.iter().find(|c| c["quantity"] == quantity && c["proposed"] == true)?;
        let mut words = vec![best["register"].as_str()?.to_owned(), best["number"].as_str()?.to_owned()];
        words.extend(best["order"].as_str().map(str::to_owned));
        if let Some(scale) = best["scale"].as_f64().filter(|scale| *scale != 1.0) {
            words.push(format!("x{scale}"));
        }
        words.extend(best["unit"].as_str().map(str::to_owned));
        Some(words.join(" "))
    }
}

fn device(value: &Value) -> Option<Device> {
    let text = |key: &str| value[key].as_str().map(str::to_owned);
    let at = value["at"].as_object()?.iter().map(|(key, value)| {
        let value = match value {
            Value::String(text) => toml::Value::String(text.clone()).to_string(),
            other => other.to_string(),
        };
        (key.clone(), value)
    });
    Some(Device {
        name: text("name")?,
        bus: text("bus")?,
        unit: value["unit_id"].as_u64()?,
        at: at.collect(),
        candidates: value["candidates"].as_array()?.clone(),
        registers_max: value["registers_max"].as_u64(),
    })
}

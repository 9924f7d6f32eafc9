//! What a gateway must be told to read a scenario's devices: one configuration file and its secrets.
//!
//! It says what a person would who has the devices' manuals, a tape measure, a jar test and a water analysis; nothing of
//! what goes on in the sumps.

use std::collections::BTreeMap;
use std::fmt::{self, Write};
use std::io;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;

use super::{Link, Place, ProbePlan, Scenario};
use crate::device::PayloadFormat;
use crate::probe::{Delivery, Measures};
use crate::world::content::Content;
use crate::world::ions::obstruction;
use crate::world::{Fluid, People, SumpSetup, Tank, Water};

/// Where a wire can be reached.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Endpoint {
    /// A socket.
    Socket(SocketAddr),
    /// A serial port.
    Port(PathBuf),
}

/// Where each wire can be reached, by its name. A wire that is not in it gets an address where nobody listens, which is
/// enough for a replay.
pub type Endpoints = BTreeMap<&'static str, Endpoint>;

/// How to reach a broker.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct BrokerAccess {
    /// Host.
    pub host: String,
    /// Port.
    pub port: u16,
    /// User and password.
    pub user: Option<(String, String)>,
}

/// What else the configuration says.
#[derive(Clone, PartialEq, Debug)]
pub struct ConfigurationOptions {
    /// How often a probe is read.
    pub every: Duration,
    /// Simulated seconds in a real one: delays of limits shrink by it, and checks for changes that are too fast or absent
    /// are off where it is not 1.
    pub speed: f64,
    /// Address of the page; the gateway's default where `None`.
    pub listen: Option<SocketAddr>,
    /// Broker; where `None`, one where nobody listens.
    pub broker: Option<BrokerAccess>,
    /// Reads each device's reply counter as a probe `replies` of the sump whose first probe is on it, so that every stored
    /// sample can be traced to a reply.
    pub reply_counters: bool,
    /// Limits that fit the sump.
    pub limits: bool,
    /// Lines put at the end: receivers, a database.
    pub appended: String,
}

impl Default for ConfigurationOptions {
    fn default() -> Self {
        Self {
            every: Duration::from_secs(10),
            speed: 1.0,
            listen: None,
            broker: None,
            reply_counters: false,
            limits: true,
            appended: String::new(),
        }
    }
}

/// A configuration file and the secrets it points to.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Configuration {
    /// TOML.
    pub toml: String,
    /// File name beside it, and what stands in it.
    pub secrets: Vec<(&'static str, String)>,
}

impl Configuration {
    /// Name of the main file.
    pub const FILE: &'static str = "sumpwarden.toml";

    /// Writes all of it into `directory`; returns the path of the main file.
    pub fn write(&self, directory: &Path) -> io::Result<PathBuf> {
        for (name, secret) in &self.secrets {
            std::fs::write(directory.join(name), secret)?;
        }
        let path = directory.join(Self::FILE);
        std::fs::write(&path, &self.toml)?;
        Ok(path)
    }
}

/// Network for examples (RFC 5737): nobody has an address in it.
const NOBODY: &str = "192.0.2";
const PASSWORD_FILE: &str = "broker.password";

impl Fluid {
    /// A jar test: percent and uS/cm at 25 °C of fresh mixes in this water, to whole uS/cm as a meter shows them.
    pub fn jar_test(&self, water: &Water) -> [(f64, f64); 5] {
        [0.0, 3.0, 5.0, 8.0, 12.0].map(|percent| {
            let mix = Content::mix(1.0, percent, water, self.amine_mmol_l_percent);
            let ions = mix.ions(water.ions.magnesium_share, self.organic_mmol_l_percent);
            (percent, (ions.conductivity_us_cm() * obstruction(percent / 100.0 * self.oil_share)).round())
        })
    }
}

impl Scenario {
    /// The configuration that reads this scenario's devices where they are.
    pub fn configuration(&self, endpoints: &Endpoints, options: &ConfigurationOptions) -> Configuration {
        let mut toml = String::new();
        self.write_all(&mut toml, endpoints, options).expect("writing to memory does not fail");
        let password =
            options.broker.as_ref().and_then(|broker| broker.user.as_ref()).map(|(_, password)| password);
        let secrets = password.map(|password| (PASSWORD_FILE, password.clone())).into_iter().collect();
        Configuration { toml, secrets }
    }

    fn write_all(
        &self,
        out: &mut String,
        endpoints: &Endpoints,
        options: &ConfigurationOptions,
    ) -> fmt::Result {
        writeln!(out, "[site]\nname = \"{}\"\ntimezone = \"UTC\"", self.name)?;
        if options.speed != 1.0 {
            writeln!(out, "pace = {:?}", options.speed)?;
        }
        writeln!(out, "\n[store]\ndirectory = \"data\"")?;
        if let Some(listen) = options.listen {
            writeln!(out, "\n[web]\nlisten = \"{listen}\"")?;
        }
        self.write_wires(out, endpoints)?;
        if self.probes.iter().any(|plan| matches!(plan.place, Place::Topic { .. })) {
            write_broker(out, options.broker.as_ref())?;
        }
        for (index, sump) in self.sumps.iter().enumerate() {
            self.write_sump(out, sump)?;
            for plan in self.probes.iter().filter(|plan| plan.sump == index) {
                self.write_probe(out, plan, options)?;
            }
            if options.reply_counters {
                self.write_reply_counters(out, index, options)?;
            }
            if options.limits {
                self.write_limits(out, index, options)?;
            }
        }
        write!(out, "{}", options.appended)
    }

    fn write_wires(&self, out: &mut String, endpoints: &Endpoints) -> fmt::Result {
        for (index, bus) in self.buses.iter().enumerate() {
            writeln!(out, "\n[bus.{}]", bus.name)?;
            let socket = match endpoints.get(bus.name) {
                Some(Endpoint::Socket(address)) => address.to_string(),
                _ => format!("{NOBODY}.{}:502", index + 1),
            };
            match bus.link {
                Link::Tcp => writeln!(out, "link = \"modbus-tcp\"\naddress = \"{socket}\"")?,
                Link::Rtu { baud } => {
                    let port = match endpoints.get(bus.name) {
                        Some(Endpoint::Port(path)) => path.display().to_string(),
                        _ => format!("/dev/nobody-{}", index + 1),
                    };
                    writeln!(
                        out,
                        "link = \"modbus-rtu\"\nport = \"{port}\"\nbaud = {baud}\nparity = \"even\""
                    )?;
                }
                Link::RtuOverTcp { baud } => {
                    writeln!(out, "link = \"modbus-rtu-over-tcp\"\naddress = \"{socket}\"\nbaud = {baud}")?;
                }
            }
        }
        for device in &self.devices {
            let bus = self.buses[device.bus].name;
            writeln!(out, "\n[device.{}]\nbus = \"{bus}\"\nunit_id = {}", device.name, device.unit_id)?;
        }
        Ok(())
    }

    /// A sump with its own water and fluid: names are the sump's, so that each can have its own jar test.
    fn write_sump(&self, out: &mut String, sump: &SumpSetup) -> fmt::Result {
        let (name, fluid, known) = (sump.name, sump.fluid.name, self.known_sump(sump));
        writeln!(out, "\n[water.{name}-tap]\nhardness = \"{} mg/L\"", known.water_hardness_mg_l)?;
        writeln!(out, "conductivity = \"{} uS/cm\"", known.water_us_cm)?;
        if let Some((hardness_mg_l, us_cm)) = known.fill_water {
            writeln!(out, "\n[water.{name}-fill]\nhardness = \"{hardness_mg_l} mg/L\"")?;
            writeln!(out, "conductivity = \"{us_cm} uS/cm\"")?;
        }
        writeln!(out, "\n[fluid.{name}-{fluid}]")?;
        writeln!(out, "refractometer_factor = {:?}", known.refractometer_factor)?;
        let curve = known.jar_test.map(|(percent, us_cm)| format!("[{percent}, {us_cm}]")).join(", ");
        writeln!(out, "conductivity_curve = [{curve}]")?;
        writeln!(out, "\n[sump.{name}]\ntitle = \"{}\"", sump.title)?;
        writeln!(out, "fluid = \"{name}-{fluid}\"\nwater = \"{name}-tap\"")?;
        if known.fill_water.is_some() {
            writeln!(out, "fill_water = \"{name}-fill\"")?;
        }
        if let Some(percent) = self.judged.mix_known.then(|| constant_mix(&sump.people)).flatten() {
            writeln!(out, "makeup_percent = {percent:?}")?;
        }
        if let Some(percent) = known.chip_solid_percent {
            writeln!(out, "chip_solid_percent = {percent:?}")?;
        }
        writeln!(
            out,
            "target_percent = {:?}\nfill_mark = \"{} mm\"",
            sump.target_percent, sump.fill_mark_mm
        )?;
        writeln!(out, "pump_minimum = \"{} mm\"\nholdup = \"{} L\"", sump.pump_minimum_mm, known.holdup_l)?;
        writeln!(out, "tank = {}", tank(&known.tank))
    }

    fn write_probe(&self, out: &mut String, plan: &ProbePlan, options: &ConfigurationOptions) -> fmt::Result {
        let (sump, setup) = (&self.sumps[plan.sump], &plan.setup);
        writeln!(
            out,
            "\n[sump.{}.probe.{}]\nquantity = \"{}\"",
            sump.name,
            setup.name,
            quantity(setup.measures)
        )?;
        match &plan.place {
            Place::Register { device, index } => {
                let table = if setup.delivery == Delivery::Contact { "discrete" } else { "input" };
                writeln!(out, "device = \"{}\"\nregister = \"{table}:{index}\"", self.devices[*device].name)?;
                self.write_delivery(out, plan)?;
            }
            Place::Topic { topic, format, .. } => {
                writeln!(out, "broker = \"shop\"\ntopic = \"{topic}\"")?;
                match format {
                    PayloadFormat::Number => writeln!(out, "payload = \"number\"")?,
                    PayloadFormat::Json => {
                        writeln!(out, "json = {{ value = \"/value\", time = \"/time\" }}")?
                    }
                    PayloadFormat::SenmlJson => writeln!(out, "senml = \"{}:{}\"", sump.name, setup.name)?,
                    PayloadFormat::SenmlCbor => {
                        writeln!(out, "senml_cbor = \"{}:{}\"", sump.name, setup.name)?
                    }
                }
                writeln!(out, "unit = \"{}\"", unit(setup.measures))?;
            }
        }
        writeln!(out, "every = \"{} ms\"", options.every.as_millis())?;
        if options.speed != 1.0 {
            writeln!(out, "frozen = false\nspike = false\nfault_on_delay = \"2 s\"")?;
        }
        Ok(())
    }

    fn write_delivery(&self, out: &mut String, plan: &ProbePlan) -> fmt::Result {
        match plan.setup.delivery {
            Delivery::Scaled { scale } => {
                writeln!(out, "number = \"i16\"\nscale = {scale}\nno_value = [0x8000]")?;
                writeln!(out, "unit = \"{}\"", unit(plan.setup.measures))
            }
            Delivery::Loop { signal: (low, high) } => {
                let unit = unit(plan.setup.measures);
                writeln!(out, "number = \"i16\"\nno_value = [0x8000]")?;
                writeln!(
                    out,
                    "loop = {{ counts = [0, 27648], ma = [4, 20], signal = [\"{low} {unit}\", \"{high} {unit}\"] }}"
                )
            }
            Delivery::Float => {
                writeln!(out, "number = \"f32\"\norder = \"CDAB\"\nunit = \"{}\"", unit(plan.setup.measures))
            }
            Delivery::Electrode { slope_percent, zero_ph } => {
                writeln!(out, "number = \"i16\"\nscale = 0.1\nunit = \"mV\"\nno_value = [0x8000]")?;
                writeln!(
                    out,
                    "electrode = {{ slope_percent = {slope_percent:?}, zero_ph = {zero_ph:?}, isopotential_ph = \
                     {zero_ph:?} }}"
                )?;
                self.write_temperature(out, plan)
            }
            Delivery::Conductance { constant_per_cm } => {
                writeln!(out, "number = \"f32\"\norder = \"CDAB\"\nunit = \"uS\"")?;
                writeln!(
                    out,
                    "cell = {{ constant_per_cm = {constant_per_cm:?}, compensation = \"linear\", percent_per_k = 2.0 }}"
                )?;
                self.write_temperature(out, plan)
            }
            Delivery::Pt100 => {
                writeln!(out, "number = \"u16\"\nscale = 0.01\nunit = \"Ohm\"\nno_value = [0xFFFF]")?;
                writeln!(out, "rtd = {{ r0 = \"100 Ohm\" }}")
            }
            Delivery::Gap { sensor_height_mm } => {
                writeln!(out, "number = \"u16\"\nscale = 0.1\nunit = \"mm\"\nno_value = [0xFFFF]")?;
                writeln!(out, "gap = {{ sensor_height = \"{sensor_height_mm} mm\" }}")
            }
            Delivery::Contact => writeln!(out, "number = \"bit\""),
            Delivery::Pulses { litres, .. } => {
                writeln!(out, "number = \"u32\"\ncounter = {{ litres_per_count = {litres:?} }}")
            }
        }
    }

    /// The temperature that a compensation takes: the sump's own probe where it has one.
    fn write_temperature(&self, out: &mut String, plan: &ProbePlan) -> fmt::Result {
        let own =
            |other: &&ProbePlan| other.sump == plan.sump && other.setup.measures == Measures::Temperature;
        match self.probes.iter().find(own) {
            Some(other) => writeln!(out, "temperature = \"{}\"", other.setup.name),
            None => writeln!(out, "temperature = \"25 Cel\""),
        }
    }

    fn write_reply_counters(
        &self,
        out: &mut String,
        sump: usize,
        options: &ConfigurationOptions,
    ) -> fmt::Result {
        for (index, device) in self.devices.iter().enumerate() {
            let on_it =
                |plan: &&ProbePlan| matches!(plan.place, Place::Register { device, .. } if device == index);
            if self.probes.iter().find(on_it).is_some_and(|plan| plan.sump == sump) {
                writeln!(out, "\n[sump.{}.probe.replies-{}]", self.sumps[sump].name, device.name)?;
                writeln!(
                    out,
                    "quantity = \"flow_total\"\ndevice = \"{}\"\nregister = \"input:0\"",
                    device.name
                )?;
                // A reply is a thousandth of a litre, so that no rate of polling looks like an impossible flow.
                writeln!(out, "number = \"u32\"\ncounter = {{ litres_per_count = 0.001 }}")?;
                writeln!(out, "every = \"{} ms\"", options.every.as_millis())?;
            }
        }
        Ok(())
    }

    fn write_limits(&self, out: &mut String, index: usize, options: &ConfigurationOptions) -> fmt::Result {
        let sump = &self.sumps[index];
        let delay_s = (600.0 / options.speed).max(1.0);
        let mut limit = |name: &str, of: &str, what: String, priority: &str| {
            writeln!(
                out,
                "\n[sump.{}.limit.{name}]\nof = \"{of}\"\n{what}\non_delay = \"{delay_s} s\"\noff_delay = \"{delay_s} \
                 s\"\npriority = \"{priority}\"",
                sump.name
            )
        };
        let probe = |measures| {
            let is = |plan: &&ProbePlan| plan.sump == index && plan.setup.measures == measures;
            self.probes.iter().find(is).map(|plan| plan.setup.name)
        };
        if let Some(ph) = probe(Measures::Ph) {
            // Below 8.5 the properties get worse quickly (chemical-safety database of the German accident insurers).
            limit("ph-low", ph, "low = 8.5\ndeadband = 0.1".into(), "medium")?;
        }
        if let Some(level) = probe(Measures::Level) {
            let low = sump.pump_minimum_mm + 40.0;
            limit("level-low", level, format!("low = \"{low} mm\"\ndeadband = \"10 mm\""), "high")?;
        }
        if let Some(temperature) = probe(Measures::Temperature) {
            limit("warm", temperature, "high = \"38 Cel\"\ndeadband = \"1 Cel\"".into(), "low")?;
        }
        let (low, high) = (sump.target_percent - 2.0, sump.target_percent + 3.0);
        limit("weak", "concentration_percent", format!("low = \"{low} %\""), "medium")?;
        limit("strong", "concentration_percent", format!("high = \"{high} %\""), "medium")
    }
}

/// Strength of every top-up in tenths of a percent, as a mixing unit is set to; `None` where people mix by what they read, or
/// pour something else now and then: nobody would call that one strength.
fn constant_mix(people: &People) -> Option<f64> {
    let others = [people.corrects, people.plain_chance, people.wrong_chance, people.neat_chance];
    (others == [0.0; 4]).then(|| (10.0 * people.mix_percent).round() / 10.0)
}

fn write_broker(out: &mut String, access: Option<&BrokerAccess>) -> fmt::Result {
    let (host, port) = access.map_or(("192.0.2.250", 1883), |access| (access.host.as_str(), access.port));
    writeln!(out, "\n[broker.shop]\naddress = \"{host}:{port}\"")?;
    if let Some((user, _)) = access.and_then(|access| access.user.as_ref()) {
        writeln!(out, "user = \"{user}\"\npassword_file = \"{PASSWORD_FILE}\"")?;
    }
    Ok(())
}

fn tank(tank: &Tank) -> String {
    // Metres to millimetres, without the binary dust of the product.
    let mm = |metres: f64| (metres * 1e6).round() / 1e3;
    match tank {
        Tank::Box { length_m, width_m, drop_m, height_m } => {
            let floor =
                if *drop_m > 0.0 { format!("drop = \"{} mm\", ", mm(*drop_m)) } else { String::new() };
            let shape = if *drop_m > 0.0 { "sloped-floor" } else { "box" };
            format!(
                "{{ shape = \"{shape}\", length = \"{} mm\", width = \"{} mm\", {floor}height = \"{} mm\" }}",
                mm(*length_m),
                mm(*width_m),
                mm(*height_m)
            )
        }
        Tank::Stepped(steps) => {
            let mut floor = 0.0;
            let parts: Vec<String> = steps
                .iter()
                .map(|&(area, top)| {
                    let part = format!(
                        "{{ length = \"{} mm\", width = \"1000 mm\", floor = \"{} mm\", top = \"{} mm\" }}",
                        mm(area),
                        mm(floor),
                        mm(top)
                    );
                    floor = top;
                    part
                })
                .collect();
            format!("{{ shape = \"boxes\", parts = [{}] }}", parts.join(", "))
        }
        Tank::Cylinder { diameter_m, length_m } => {
            let (diameter, length) = (mm(*diameter_m), mm(*length_m));
            format!(
                "{{ shape = \"lying-cylinder\", diameter = \"{diameter} mm\", length = \"{length} mm\", heads = \"flat\" }}"
            )
        }
    }
}

fn quantity(measures: Measures) -> &'static str {
    match measures {
        Measures::Ph => "ph",
        Measures::Conductivity => "conductivity",
        Measures::Level => "level",
        Measures::Temperature => "temperature",
        Measures::Pump => "pump_running",
        Measures::Meter => "flow_total",
    }
}

/// UCUM code of the measured unit.
pub(crate) fn unit(measures: Measures) -> &'static str {
    match measures {
        Measures::Ph => "[pH]",
        Measures::Conductivity => "uS/cm",
        Measures::Level => "mm",
        Measures::Temperature => "Cel",
        Measures::Pump => "1",
        Measures::Meter => "L",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn written(scenario: &Scenario) -> String {
        scenario.configuration(&Endpoints::new(), &ConfigurationOptions::default()).toml
    }

    #[test]
    fn one_strength_is_told_only_where_there_is_one() {
        let mut scenario = Scenario::named("quarter-quiet-lathe", 1).expect("a name from the list");
        assert!(!written(&scenario).contains("makeup_percent"), "they correct what they read");
        scenario.sumps[0].people = People { mix_percent: 4.23, ..People::CAREFUL };
        assert!(written(&scenario).contains("\nmakeup_percent = 4.2\n"));
        scenario.judged.mix_known = false;
        assert!(!written(&scenario).contains("makeup_percent"), "nobody says so");
    }

    #[test]
    fn another_water_and_chips_that_a_look_tells_are_told() {
        let of = |name: &str| written(&Scenario::named(name, 1).expect("a name from the list"));
        let demineralised = of("quarter-demineralised");
        assert!(demineralised.contains("\nfill_water = \"lathe-1-fill\"\n"), "{demineralised}");
        assert!(
            demineralised.contains("\n[water.lathe-1-fill]\nhardness = \"2"),
            "200 to 300 mg/L: {demineralised}"
        );
        assert!(!of("quarter-quiet-lathe").contains("fill_water"));
        assert!(!of("quarter-quiet-lathe").contains("chip_solid_percent"), "broken chips: nobody says so");
        let told = |name: &str, among: &[&str]| {
            among.iter().any(|p| of(name).contains(&format!("\nchip_solid_percent = {p}\n")))
        };
        assert!(told("quarter-fine-chips", &["20.0", "25.0", "30.0"]));
        assert!(told("quarter-stringy", &["4.0", "6.0", "8.0"]));
    }
}

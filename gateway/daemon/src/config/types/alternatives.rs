//! Keys that exclude each other: whoever writes one of them does not want the other ones of a type.

/// Ways to say one thing, each by its keys.
type Ways = &'static [&'static [&'static str]];

const PROBE: &[Ways] = &[
    &[
        &["device", "register", "number", "order", "no_value"],
        &["broker", "topic", "payload", "json", "senml", "senml_cbor", "late_max", "early_max"],
    ],
    &[&["payload"], &["json"], &["senml"], &["senml_cbor"]],
    &[&["loop"], &["scale", "offset"]],
    &[&["rtd"], &["electrode"], &["cell"], &["hydrostatic"], &["gap"], &["counter"], &["contact"]],
];
const LOOP: &[Ways] = &[&[&["signal"], &["points"]]];
const HYDROSTATIC: &[Ways] = &[&[&["density_kg_m3"], &["density_over_water"]]];
const LIMIT: &[Ways] = &[&[&["low"], &["high"]], &[&["probability_percent"], &["within_days"]]];

/// Whether the inherited key at `path` gives way to the keys `own` that stand beside it.
pub(super) fn gives_way(path: &[String], own: &[String]) -> bool {
    let parts: Vec<&str> = path.iter().map(String::as_str).collect();
    let (key, alternatives) = match parts[..] {
        [_, _, "probe", _, key] => (key, PROBE),
        [_, _, "probe", _, "loop", key] => (key, LOOP),
        [_, _, "probe", _, "hydrostatic", key] => (key, HYDROSTATIC),
        [_, _, "limit", _, key] => (key, LIMIT),
        _ => return false,
    };
    let written = |way: &&&[&str]| way.iter().any(|key| own.iter().any(|own| own == key));
    alternatives.iter().filter(|ways| ways.iter().any(|way| way.contains(&key))).any(|ways| {
        let (mine, others): (Vec<_>, Vec<_>) = ways.iter().partition(|way| way.contains(&key));
        others.iter().any(written) && !mine.iter().any(written)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_inherited_key_gives_way_to_another_way_of_saying_the_same() {
        for (key, own, expected) in [
            ("probe.ph.register", "broker topic", true),
            ("probe.ph.register", "scale", false),
            ("probe.ph.topic", "device register", true),
            ("probe.ph.topic", "json", false),
            ("probe.ph.payload", "json", true),
            ("probe.ph.json", "broker", false),
            ("probe.ph.scale", "loop", true),
            ("probe.ph.offset", "scale", false),
            ("probe.level.gap", "hydrostatic", true),
            ("probe.level.loop.signal", "points", true),
            ("probe.level.hydrostatic.density_kg_m3", "density_over_water", true),
            ("limit.ph-low.low", "high", true),
            ("limit.ph-low.low", "low high", false),
            ("limit.ph-low.priority", "high", false),
            ("tank.length", "width", false),
            ("title", "fluid", false),
        ] {
            let path: Vec<String> = format!("sump.x.{key}").split('.').map(str::to_owned).collect();
            let own: Vec<String> = own.split(' ').map(str::to_owned).collect();
            assert_eq!(gives_way(&path, &own), expected, "{key} beside {own:?}");
        }
    }
}

//! A pH probe calibrated on the page: into a buffer, wait, take the point, the next one, finish.

use serde_json::json;
use sumpwarden_tests::electrode::{Electrode, shop};
use sumpwarden_tests::process::{free_port, wait_for};

use super::browser::play;
use super::commands::add_person;

#[test]
fn a_probe_is_calibrated_on_the_page() {
    let (electrode, port) = (Electrode::new(), free_port());
    electrode.stands_in(7.0, 25.0);
    let installation = shop(&electrode, port);
    let daemon = installation.run();
    let made = add_person(&installation, "sam", "manage");
    assert!(made.status.success());
    let given =
        |liquid: &str| json!({"base": format!("http://127.0.0.1:{port}"), "sump": "s", "liquid": liquid});

    let came = play("calibrate_begin", &given("7.00"), None);
    assert!(
        came["cautions"].as_array().is_some_and(|all| all.len() == 4),
        "cautions stand before it: {came}"
    );
    electrode.stands_in(4.0, 25.0);
    let came = play("calibrate_finish", &given("4.00"), None);
    let came_of_it = came["came"].as_str().unwrap_or_default();
    assert!(came_of_it.contains("slope 95") || came_of_it.contains("slope 94.9"), "{came_of_it}");

    electrode.stands_in(9.0, 25.0);
    wait_for("the value of the sump", std::time::Duration::from_secs(60), || {
        let value = daemon.probe("s", "ph")["value"].as_f64()?;
        ((value - 9.0).abs() < 0.05).then_some(())
    });
}

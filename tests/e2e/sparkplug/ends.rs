//! How it ends: by kill, by a clean stop, with its broker, with its primary host; and how it begins anew.

use std::thread::sleep;
use std::time::Duration;

use serde_json::Value;
use sumpwarden_tests::broker::{Entrance, Mosquitto};
use sumpwarden_tests::gateway::Installation;
use sumpwarden_tests::modbus::ModbusTcp;

use super::host::{PlantHost, bd_seq, complaints};
use super::shop;

#[test]
fn every_death_says_the_number_of_its_birth_and_every_connection_has_the_next() {
    let mut broker = Mosquitto::start(Entrance::Open);
    let device = ModbusTcp::start(&[1]);
    let host = PlantHost::listen(broker.port);
    let installation = Installation::new(&shop(broker.port, device.port, device.port, ""));
    let mut births = Vec::new();
    for end in ["kill", "stop", "kill", "broker"] {
        let before = host.messages().len();
        let daemon = installation.run();
        let birth = host.wait_for(before, "NBIRTH", None);
        host.wait_for(before, "DBIRTH", Some("mill-1"));
        births.push(bd_seq(&birth));
        match end {
            "kill" => drop(daemon.kill()),
            "stop" => assert!(daemon.terminate().0.success()),
            _ => {
                births.push(over_a_restart(&host, &mut broker, bd_seq(&birth)));
                assert!(daemon.terminate().0.success());
                continue;
            }
        }
        let death = host.wait_for(before, "NDEATH", None);
        assert_eq!(bd_seq(&death), bd_seq(&birth), "{end}");
    }
    assert_eq!(births[..4], [0, 1, 2, 3], "kept over restarts");
    assert!(births[4] > births[3], "{births:?}");
    host.complains_of_nothing();

    // A host would notice a death that is of another birth.
    let all = host.messages();
    let cut =
        all.iter().rposition(|said| said["verb"] == "NDEATH" && bd_seq(said) == 2).expect("the last kill");
    let all = &all[..=cut];
    assert_eq!(complaints(all), [""; 0]);
    let deaths: Vec<usize> = (0..all.len()).filter(|at| all[*at]["verb"] == "NDEATH").collect();
    let mut wrong = all.to_vec();
    wrong[deaths[1]] = all[deaths[0]].clone();
    assert!(complaints(&wrong).iter().any(|words| words.contains("a rebirth with bdSeq 2 instead of 1")));
}

/// The broker goes and comes back; births give what is known then. The number of the connection that brought them.
fn over_a_restart(host: &PlantHost, broker: &mut Mosquitto, before: i64) -> i64 {
    broker.stop();
    sleep(Duration::from_secs(2));
    let heard = host.messages().len();
    broker.start_again();
    // Where the box was there before the host, its births were missed: then a host asks for them.
    host.wait("anything", heard, |all| (!all.is_empty()).then_some(()));
    host.send("rebirth");
    let is_new = |said: &&Value| said["verb"] == "NBIRTH" && bd_seq(said) != before;
    let birth = host.wait("births after the broker", heard, |all| all.iter().find(is_new).cloned());
    host.wait_for(heard, "DBIRTH", Some("lathe-1"));
    bd_seq(&birth)
}

#[test]
fn with_a_primary_host_nothing_is_said_before_it_is_there_and_after_it_has_gone() {
    let broker = Mosquitto::start(Entrance::Open);
    let device = ModbusTcp::start(&[1]);
    let host = PlantHost::listen(broker.port);
    let keys = "primary_host = \"scada-1\"\n";
    let installation = Installation::new(&shop(broker.port, device.port, device.port, keys));
    let daemon = installation.run();
    let silent = |seconds: u64| {
        let before = host.messages().len();
        sleep(Duration::from_secs(seconds));
        assert_eq!(host.messages().len(), before, "{:?}", host.messages().last());
    };
    silent(4);
    host.send("offline=1000");
    silent(2);
    host.send("online=2000");
    let first = host.wait_for(0, "NBIRTH", None);
    host.wait_for(0, "DDATA", Some("mill-1"));
    // One that is older than the last word is a late copy.
    host.send("offline=1500");
    let before = host.messages().len();
    host.wait("data", before, |all| (all.len() > 3).then_some(()));
    host.send("offline=3000");
    let death = host.wait_for(before, "NDEATH", None);
    assert_eq!(bd_seq(&death), bd_seq(&first));
    silent(4);
    let before = host.messages().len();
    host.send("online=4000");
    let second = host.wait_for(before, "NBIRTH", None);
    assert!(bd_seq(&second) > bd_seq(&first), "{second}");
    host.wait_for(before, "DDATA", Some("lathe-1"));
    host.complains_of_nothing();
    assert!(daemon.terminate().0.success());
    host.wait_for(before, "NDEATH", None);
}

#[test]
fn a_task_that_crashes_dies_by_its_will_and_is_born_again_with_the_next_number() {
    let broker = Mosquitto::start(Entrance::Open);
    let device = ModbusTcp::start(&[1]);
    let host = PlantHost::listen(broker.port);
    let installation = Installation::new(&shop(broker.port, device.port, device.port, ""));
    let daemon = installation.run_with_faults("panic@sparkplug:5");
    let first = host.wait_for(0, "NBIRTH", None);
    let death = host.wait_for(0, "NDEATH", None);
    let dead = host.messages().iter().position(|said| said["verb"] == "NDEATH").expect("it came");
    let second = host.wait_for(dead, "NBIRTH", None);
    host.wait_for(dead, "DDATA", Some("lathe-1"));
    assert_eq!([&first, &death, &second].map(bd_seq), [0, 0, 1]);
    assert!(daemon.alarm("gateway/task/sparkplug/plant").is_some(), "it is told");
    host.complains_of_nothing();
}

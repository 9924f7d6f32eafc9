//! A hall's network of its own: a hub with a bridge, and boxes on it whose cables can be pulled. Private addresses inside network
//! namespaces only; all of it is gone when this is dropped.

use std::fs::File;
use std::net::{IpAddr, Ipv4Addr};
use std::os::fd::AsFd;
use std::process::Command;

use rustix::thread::{LinkNameSpaceType, move_into_link_name_space};
use sumpwarden_tests::process::{run, tool};

/// Where broker, database and serial server are reached.
pub(crate) const HUB: IpAddr = IpAddr::V4(Ipv4Addr::new(10, 77, 0, 1));

/// The network.
#[derive(Debug)]
pub(crate) struct Hall {
    names: Vec<String>,
}

impl Hall {
    /// A hub, and this many boxes on it. The calling thread, and whatever it starts from now on, is in the hub.
    ///
    /// # Panics
    /// Without root, or where the system has no namespaces.
    pub(crate) fn build(boxes: u8) -> Self {
        let base = format!("sw{}", std::process::id());
        let mut hall = Self { names: vec![format!("{base}-hub")] };
        hall.make(0);
        hall.inside(0, &["link", "add", "bridge", "type", "bridge"]);
        hall.inside(0, &["address", "add", &format!("{HUB}/24"), "dev", "bridge"]);
        hall.inside(0, &["link", "set", "bridge", "up"]);
        for number in 1..=boxes {
            hall.names.push(format!("{base}-{number}"));
            hall.make(number);
            let cable = hall.cable(number);
            let far = hall.names[usize::from(number)].clone();
            hall.inside(0, &["link", "add", &cable, "type", "veth", "peer", "name", "port", "netns", &far]);
            hall.inside(0, &["link", "set", &cable, "master", "bridge", "up"]);
            let address = format!("{}/24", Self::address(number));
            hall.inside(number, &["address", "add", &address, "dev", "port"]);
            hall.inside(number, &["link", "set", "port", "up"]);
        }
        hall.enter();
        hall
    }

    /// Address of a box.
    pub(crate) fn address(number: u8) -> IpAddr {
        IpAddr::V4(Ipv4Addr::new(10, 77, 0, 10 + number))
    }

    /// A command that runs in a box: what it is to run is to be appended.
    pub(crate) fn command(&self, number: u8) -> Command {
        let mut command = Command::new(tool("ip"));
        command.args(["netns", "exec", &self.names[usize::from(number)]]);
        command
    }

    /// Pulls the cable of a box.
    pub(crate) fn pull(&self, number: u8) {
        self.inside(0, &["link", "set", &self.cable(number), "down"]);
    }

    /// Puts it back.
    pub(crate) fn put_back(&self, number: u8) {
        self.inside(0, &["link", "set", &self.cable(number), "up"]);
    }

    fn cable(&self, number: u8) -> String {
        format!("cable{number}")
    }

    fn make(&self, number: u8) {
        let name = &self.names[usize::from(number)];
        run(Command::new(tool("ip")).args(["netns", "add", name]));
        self.inside(number, &["link", "set", "lo", "up"]);
    }

    fn inside(&self, number: u8, arguments: &[&str]) {
        let name = &self.names[usize::from(number)];
        run(Command::new(tool("ip")).args(["-n", name]).args(arguments));
    }

    fn enter(&self) {
        let path = format!("/run/netns/{}", self.names[0]);
        let space = File::open(&path).unwrap_or_else(|error| panic!("{path}: {error}"));
        move_into_link_name_space(space.as_fd(), Some(LinkNameSpaceType::Network)).expect("root may do that");
    }
}

impl Drop for Hall {
    fn drop(&mut self) {
        for name in &self.names {
            Command::new("ip").args(["netns", "delete", name]).status().ok();
        }
    }
}

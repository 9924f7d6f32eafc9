//! `demo`: simulated sumps on real Modbus TCP, Modbus RTU and MQTT, polled by the ordinary daemon from an ordinary
//! configuration file; an embedded broker and a store in a temporary directory. Only time runs faster.

mod broker;
mod story;

use std::net::{Ipv4Addr, SocketAddr};
use std::path::{Path, PathBuf};
use std::time::Duration;

use sumpwarden_sim::scenario::{BrokerAccess, ConfigurationOptions, Scenario};
use sumpwarden_sim::shop::{Shop, ShopOptions};
use tokio::net::TcpListener;

use super::run::Told;
use super::{Exit, block_on, console, load};
use crate::supervise;
use story::Story;

/// Where the page is served if nobody says otherwise and the port is free.
const PAGE_PORT: u16 = 8480;

/// How the demo runs.
#[derive(clap::Args, Clone, Debug)]
pub struct Options {
    /// Simulated seconds in a real one
    #[arg(long, default_value_t = 600.0, value_parser = speed)]
    pub speed: f64,
    /// Everything drawn by chance comes from it
    #[arg(long, default_value_t = 7)]
    pub seed: u64,
    /// Address of the page [default: 127.0.0.1:8480, or a free port if that is taken]
    #[arg(long, value_name = "ADDRESS:PORT")]
    pub listen: Option<SocketAddr>,
    /// End by itself after so many real seconds
    #[arg(long, value_name = "SECONDS")]
    pub seconds: Option<u64>,
    /// Put configuration and store here and leave them there
    #[arg(long, value_name = "DIR")]
    pub keep: Option<PathBuf>,
}

fn speed(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(speed) if (1.0..=10_000.0).contains(&speed) => Ok(speed),
        _ => Err("a number from 1 to 10000".to_owned()),
    }
}

/// Why the demo cannot be shown.
#[derive(Debug, thiserror::Error)]
enum DemoError {
    #[error("{0}: {1}")]
    Outside(&'static str, std::io::Error),
    #[error(transparent)]
    Start(#[from] supervise::StartError),
    #[error("the configuration written for the demo was refused; the report stands above")]
    Configuration,
}

/// Shows the demo until Ctrl-C.
pub fn run(options: &Options) -> Exit {
    match block_on(show(options)) {
        Ok(Ok(())) => Exit::Success,
        Ok(Err(error)) => {
            console::complain(&error.to_string());
            Exit::Outside
        }
        Err(exit) => exit,
    }
}

async fn show(options: &Options) -> Result<(), DemoError> {
    let mut told = Told::listen().map_err(|e| DemoError::Outside("signals", e))?;
    let place =
        Place::make(options.keep.as_deref()).map_err(|e| DemoError::Outside("working directory", e))?;
    let broker = broker::start().map_err(|e| DemoError::Outside("embedded broker", e))?;
    let shop = open_shop(options, broker).await?;
    let configured = ConfigurationOptions {
        every: Duration::from_millis(250),
        listen: Some(page_address(options).await),
        ..ConfigurationOptions::default()
    };
    let file = shop
        .write_configuration(&place.directory, &configured)
        .map_err(|e| DemoError::Outside("configuration", e))?;
    let settings = load(&file).map_err(|_| DemoError::Configuration)?;
    let running = supervise::start(settings).await?;

    let story = Story::new(&shop, &running, options.speed);
    story.open(&file, broker);
    tokio::select! {
        () = story.tell() => {}
        () = told.come() => console::say("\nstopping"),
        () = after(options.seconds) => {}
    }
    running.stop().await;
    drop(shop);
    if options.keep.is_some() {
        console::say(&format!("configuration and store stay in {}", place.directory.display()));
    }
    Ok(())
}

async fn open_shop(options: &Options, broker: SocketAddr) -> Result<Shop, DemoError> {
    let scenario = Scenario::named("shop", options.seed).expect("the simulator has the scenario `shop`");
    let access = BrokerAccess { host: broker.ip().to_string(), port: broker.port(), user: None };
    let shop = ShopOptions { speed: options.speed, broker: Some(access), ..ShopOptions::default() };
    Shop::start(scenario, shop).await.map_err(|e| DemoError::Outside("simulated devices", e))
}

async fn after(seconds: Option<u64>) {
    match seconds {
        Some(seconds) => tokio::time::sleep(Duration::from_secs(seconds)).await,
        None => std::future::pending().await,
    }
}

/// The address asked for, or the usual one if nobody has it, or any free one.
async fn page_address(options: &Options) -> SocketAddr {
    let usual = SocketAddr::from((Ipv4Addr::LOCALHOST, PAGE_PORT));
    match options.listen {
        Some(address) => address,
        None if TcpListener::bind(usual).await.is_ok() => usual,
        None => SocketAddr::from((Ipv4Addr::LOCALHOST, 0)),
    }
}

/// Working directory of the demo; a temporary one goes with it.
struct Place {
    directory: PathBuf,
    temporary: bool,
}

impl Place {
    fn make(keep: Option<&Path>) -> std::io::Result<Self> {
        let temporary = keep.is_none();
        let directory = match keep {
            Some(directory) => directory.to_owned(),
            None => std::env::temp_dir().join(format!("sumpwarden-demo-{}", std::process::id())),
        };
        std::fs::create_dir_all(&directory)?;
        Ok(Self { directory, temporary })
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        if self.temporary
            && let Err(error) = std::fs::remove_dir_all(&self.directory)
        {
            console::complain(&format!("{} stays: {error}", self.directory.display()));
        }
    }
}

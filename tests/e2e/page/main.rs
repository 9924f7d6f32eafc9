//! The page and its interface, from outside: people with a real Chromium before the demo's sumps, and a foreign tool that
//! reads the OpenAPI description and tries whatever it says.

mod browser;
mod calibrate;
mod commands;
mod interface;
mod story;

//! From a bare box to sumps that are polled, as an electrician meets it: `scan`, and what it found.

mod examples;
mod init;
mod scan;

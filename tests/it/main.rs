//! End to end, through HTTP. The modules mirror the URLs.
#![expect(clippy::unwrap_used, clippy::expect_used, reason = "a test may stop at the first surprise")]

mod assets;
mod checks;
mod problems;
mod system;

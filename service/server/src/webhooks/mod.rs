//! Telling other programs what happened, by the Standard Webhooks scheme (1.0, standardwebhooks.com).
//!
//! A delivery is a row that is written in the transaction of the event it tells (`store/outgoing.rs`), so nothing that
//! happened goes untold. [`courier`] takes rows under leases, as workers take jobs, and sends them; what it may connect
//! to is [`target`]'s word, after the name is resolved.

pub mod address;
pub mod courier;
pub mod outbox;
pub mod pace;
pub mod secret;
pub mod target;

//! What the skin does when every joint is turned alone. The family runs where it is asked for.

pub mod bump;
pub mod collapse;
pub mod drag;
pub mod inversion;
pub mod island;
pub mod leak;
pub mod left_behind;
pub mod self_contact;
pub mod stretch;
pub mod tear;

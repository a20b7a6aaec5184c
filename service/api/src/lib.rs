//! Placeholder until the service slice lands.

//! Tidepool Post characters, generated.

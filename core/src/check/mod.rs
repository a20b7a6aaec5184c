//! The machinery around the checks: what a check declares, how one is run, and the one way a finding is made.

pub(crate) mod adopt;
mod answers;
mod catalogue;
mod context;
mod descriptor;
mod label;
mod profile;
mod registry;
pub(crate) mod remedy;
mod runner;
mod sink;
mod waiver;
pub(crate) mod wording;

pub use answers::said;
pub use catalogue::{Catalogue, Release, ReleasedBand, ReleasedCheck, UnknownCatalogue};
pub use context::{Context, Given};
pub use descriptor::{Band, Bound, Descriptor, Need, On, Plantable, Rule, Setting, Stability};
pub use label::Labels;
pub(crate) use profile::hex;
pub use profile::{
    BandSettings, CheckSettings, NamePattern, Naming, Override, Profile, ProfileError, ProfileFile,
    builtin_names,
};
pub use registry::{CATALOGUE_VERSION, CHECKS, Unknown, find};
pub use runner::{Observer, Request, RequestError, Unobserved, run, run_then};
pub use sink::{Hit, Sink};
pub use waiver::{Waiver, WaiverError, WaiverPlace, WaiverUse};

//! Flags that say what files are judged by, the same for every command that judges many.

use std::path::PathBuf;

use clap::Args;
use condyle_core::check::{Profile, Request, Waiver, WaiverPlace};
use condyle_core::intake::Intake;
use jiff::civil::Date;

use crate::policy;

/// What files are judged by.
#[derive(Debug, Args)]
pub(crate) struct Rules {
    /// A built-in profile, or a profile file.
    #[arg(long, default_value = "realtime")]
    pub(crate) profile: String,
    /// Waivers that belong to what is checked: a JSON list.
    #[arg(long)]
    waivers: Option<PathBuf>,
    /// The reference skeleton to conform to: a plan or a GLB.
    #[arg(long)]
    reference: Option<PathBuf>,
    /// Only these checks or families.
    #[arg(long, value_delimiter = ',')]
    pub(crate) only: Vec<String>,
    /// Not these checks or families.
    #[arg(long, value_delimiter = ',')]
    skip: Vec<String>,
    /// Turn every joint, too, and measure what the skin does.
    #[arg(long)]
    pub(crate) sweep: bool,
}

/// The files that the flags name, read.
pub(crate) struct Loaded {
    profile: Profile,
    waivers: Vec<Waiver>,
    reference: Option<Intake>,
}

impl Rules {
    /// Reads what they name, over a version of the catalogue; the newest where none is named.
    pub(crate) fn load(&self, catalogue: Option<&str>) -> Result<Loaded, String> {
        let profile = policy::profile_under(&self.profile, policy::catalogue(catalogue)?)?;
        let waivers = self.waivers.as_deref().map(policy::waivers).transpose()?.unwrap_or_default();
        let reference = policy::reference(self.reference.as_deref(), &self.profile, &profile)?;
        Ok(Loaded { profile, waivers, reference })
    }

    /// The request for one file, or for each of `many`.
    pub(crate) fn request<'a>(&self, loaded: &'a Loaded, as_of: Date, many: bool) -> Request<'a> {
        let mut waivers = loaded.waivers.clone();
        if many {
            // What covers nothing in one file may be meant for the next.
            for waiver in &mut waivers {
                waiver.place = WaiverPlace::Shared;
            }
        }
        Request {
            only: self.only.clone(),
            skip: self.skip.clone(),
            waivers,
            reference: loaded.reference.as_ref().map(|reference| &reference.rig),
            // Without the flag the profile, or a check that was named, decides.
            sweep: self.sweep.then_some(true),
            ..Request::all(&loaded.profile, as_of)
        }
    }
}

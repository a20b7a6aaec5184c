//! `condyle.toml`: what a folder of characters always says to a service. A flag beats the environment, which beats the
//! file, which beats what is built in.
//!
//! The file never holds a token, only the name of a file that does: it is meant to be committed.

use std::path::{Path, PathBuf};

use condyle_core::model::nearest;
use serde::Deserialize;
use toml::Value;

use crate::gate::Threshold;

/// The file's name, looked for in the folder one is in and in those above it.
const NAME: &str = "condyle.toml";

/// What the file may say.
#[derive(Debug, Clone, Default, PartialEq, Eq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct Settings {
    /// Where the service is.
    pub(crate) server: Option<String>,
    /// The show.
    pub(crate) production: Option<String>,
    /// A file that holds the token; beside this one unless absolute.
    pub(crate) token_file: Option<PathBuf>,
    /// Certificates (PEM) to trust beside the system's; beside this one unless absolute.
    pub(crate) ca_file: Option<PathBuf>,
    /// For `condyle submit`.
    pub(crate) submit: Submit,
}

/// What it may say to `condyle submit`: flags of the same names.
#[derive(Debug, Clone, Default, PartialEq, Eq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct Submit {
    pub(crate) label: Option<String>,
    pub(crate) asset_from: Option<AssetFrom>,
    pub(crate) jobs: Option<usize>,
    pub(crate) gate: Option<bool>,
    pub(crate) wait: Option<bool>,
    pub(crate) always: Option<bool>,
    pub(crate) catalogue: Option<String>,
    pub(crate) profile: Option<String>,
    pub(crate) fail_on: Option<Threshold>,
    pub(crate) timeout: Option<u64>,
    pub(crate) retries: Option<u32>,
}

/// What an asset is named after.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum AssetFrom {
    /// The file: `crabs/fiddler-porter_v012.glb` is `fiddler-porter`.
    #[default]
    File,
    /// The folder that holds it: `crabs/fiddler-porter/body.glb` is `fiddler-porter`.
    Folder,
    /// The way from the given folder to it: `crabs/fiddler-porter/body.glb` is `fiddler-porter.body` below `crabs`.
    Path,
}

const TOP: &[&str] = &["server", "production", "token_file", "ca_file", "submit"];
const SUBMIT: &[&str] = &[
    "label",
    "asset_from",
    "jobs",
    "gate",
    "wait",
    "always",
    "catalogue",
    "profile",
    "fail_on",
    "timeout",
    "retries",
];

/// The file that was read, and what it says.
#[derive(Debug, Clone, Default)]
pub(crate) struct Found {
    /// Where it lies; nothing where there is none.
    pub(crate) path: Option<PathBuf>,
    /// What it says.
    pub(crate) file: Settings,
}

/// The named file, or the nearest `condyle.toml` from `start` upwards.
///
/// # Errors
/// A named file that is not there, one that cannot be read, and everything in it that means nothing.
pub(crate) fn find(named: Option<&Path>, start: &Path) -> Result<Found, String> {
    let path = match named {
        Some(path) => path.to_path_buf(),
        None => match start.ancestors().map(|folder| folder.join(NAME)).find(|path| path.is_file()) {
            Some(path) => path,
            None => return Ok(Found::default()),
        },
    };
    let wrong = |text: String| format!("{}: {text}", path.display());
    let text = std::fs::read_to_string(&path).map_err(|error| wrong(error.to_string()))?;
    let mut file = read(&text).map_err(wrong)?;
    let beside = path.parent().unwrap_or(Path::new("")).to_path_buf();
    for named in [&mut file.token_file, &mut file.ca_file].into_iter().flatten() {
        *named = beside.join(&*named);
    }
    Ok(Found { path: Some(path), file })
}

fn read(text: &str) -> Result<Settings, String> {
    // Unknown keys first: the reader's own words for them list every key there is, and suggest none.
    if let Ok(table) = text.parse::<toml::Table>() {
        known(&table, TOP, "")?;
        if let Some(Value::Table(submit)) = table.get("submit") {
            known(submit, SUBMIT, "submit.")?;
        }
    }
    // The reader's own text quotes the line, and in it may stand what nobody should read in a log.
    let file: Settings = toml::from_str(text).map_err(|error| {
        let before = error.span().and_then(|span| text.get(..span.start)).unwrap_or("");
        let number = before.matches('\n').count();
        let key =
            text.lines().nth(number).and_then(|line| line.split_once('=')).map_or("", |(key, _)| key.trim());
        let known = TOP.contains(&key) || SUBMIT.contains(&key);
        let key = if known { format!(", {key}") } else { String::new() };
        format!("line {}{key}: {}", number + 1, error.message().trim_end())
    })?;
    if file.submit.jobs == Some(0) {
        return Err("submit.jobs must be at least 1".into());
    }
    Ok(file)
}

fn known(table: &toml::Table, keys: &[&str], prefix: &str) -> Result<(), String> {
    let Some(unknown) = table.keys().find(|key| !keys.contains(&key.as_str())) else { return Ok(()) };
    if matches!(unknown.as_str(), "token" | "password" | "secret") {
        return Err(format!(
            "{prefix}{unknown} has no place here, for this file is meant to be committed: set CONDYLE_TOKEN, or name \
             a file as token_file"
        ));
    }
    // A key in the wrong table is as likely as a slip of the pen.
    let elsewhere = match prefix {
        "" => SUBMIT.contains(&unknown.as_str()).then(|| format!("submit.{unknown}")),
        _ => TOP.contains(&unknown.as_str()).then(|| unknown.clone()),
    };
    let near = elsewhere.or_else(|| {
        let dashed = unknown.replace('-', "_");
        nearest(&dashed, keys.iter().copied()).map(|near| format!("{prefix}{near}"))
    });
    Err(match near {
        Some(near) => format!("there is no key {prefix}{unknown} (did you mean {near}?)"),
        None => format!("there is no key {prefix}{unknown}; there are {}", keys.join(", ")),
    })
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    #[test]
    fn every_key_is_read_and_paths_lie_beside_the_file() {
        let folder = tempfile::tempdir().unwrap();
        let deep = folder.path().join("crabs/porter");
        std::fs::create_dir_all(&deep).unwrap();
        assert!(find(None, &deep).unwrap().path.is_none_or(|path| !path.starts_with(folder.path())));
        let text = "server = \"https://rigs.example\"\nproduction = \"tidepool-post\"\ntoken_file = \"farm.token\"\n\
                    ca_file = \"/etc/ca.pem\"\n[submit]\nlabel = \"v1\"\nasset_from = \"folder\"\njobs = 8\n\
                    gate = true\nwait = false\nalways = true\ncatalogue = \"1.0.0\"\nprofile = \"film\"\n\
                    fail_on = \"warning\"\ntimeout = 60\nretries = 3\n";
        std::fs::write(folder.path().join(NAME), text).unwrap();
        let found = find(None, &deep).unwrap();
        assert_eq!(found.path.unwrap(), folder.path().join(NAME));
        assert_eq!(found.file.token_file.unwrap(), folder.path().join("farm.token"));
        assert_eq!(found.file.ca_file.unwrap(), Path::new("/etc/ca.pem"));
        assert_eq!(found.file.submit.asset_from, Some(AssetFrom::Folder));
        assert_eq!(found.file.submit.fail_on, Some(Threshold::Warning));
        let table: toml::Table = text.parse().unwrap();
        let told = |table: &toml::Table| table.keys().cloned().collect::<std::collections::BTreeSet<_>>();
        assert_eq!(told(&table), TOP.iter().map(|key| (*key).to_owned()).collect());
        assert_eq!(
            told(table["submit"].as_table().unwrap()),
            SUBMIT.iter().map(|key| (*key).to_owned()).collect()
        );
    }

    #[test]
    fn a_wrong_key_is_told_with_the_right_one() {
        let told = |text: &str| read(text).unwrap_err();
        assert_eq!(told("sever = \"x\""), "there is no key sever (did you mean server?)");
        assert_eq!(
            told("[submit]\nfail-on = \"error\""),
            "there is no key submit.fail-on (did you mean submit.fail_on?)"
        );
        assert_eq!(told("jobs = 3"), "there is no key jobs (did you mean submit.jobs?)");
        assert_eq!(told("[submit]\nserver = \"x\""), "there is no key submit.server (did you mean server?)");
        assert!(
            told("token = \"cdl_secret\"").contains("CONDYLE_TOKEN")
                && !told("token = \"cdl_secret\"").contains("cdl_secret")
        );
        let typed = told("[submit]\njobs = \"many\"");
        assert!(typed.contains("line 2") && typed.contains("jobs"), "{typed}");
        assert!(told("[submit]\nasset_from = \"stem\"").contains("folder"));
        let cut = told("production = \"tidepool-post\"\ntoken = \"cdl_secret");
        assert!(cut.starts_with("line 2: ") && !cut.contains("cdl_secret"), "{cut}");
        assert_eq!(told("[submit]\njobs = 0"), "submit.jobs must be at least 1");
    }

    #[test]
    fn a_named_file_must_be_there() {
        assert!(find(Some(Path::new("nowhere/condyle.toml")), Path::new(".")).is_err());
    }
}

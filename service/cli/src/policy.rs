//! Files that say how to judge: profiles, waivers, reference skeletons. And `condyle profile`.

use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, Subcommand};
use condyle_core::check::{Catalogue, Profile, RequestError, Waiver, builtin_names};
use condyle_core::intake::{self, Intake, Limits};
use condyle_core::model::nearest;

use crate::exit;
use crate::inputs::Input;

/// Profiles beside a profile file that are read, in case it extends them.
const MOST_BESIDE: usize = 200;

/// List profiles, print one, or look for mistakes in profile files.
#[derive(Debug, Args)]
pub(crate) struct Arguments {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// The built-in profiles.
    List,
    /// The file of a built-in profile, to start one's own from.
    Show {
        /// Its name.
        name: String,
    },
    /// Whether profile files are sound; what they extend may lie beside them.
    Check {
        /// Profile files.
        #[arg(required = true)]
        files: Vec<PathBuf>,
    },
}

pub(crate) fn run(arguments: &Arguments) -> ExitCode {
    let mut out = anstream::stdout().lock();
    let mut code = ExitCode::SUCCESS;
    let mut wrong = |text: String| {
        let _ = writeln!(anstream::stderr(), "condyle: {text}");
        code = ExitCode::from(exit::INPUT);
    };
    match &arguments.action {
        Action::List => {
            for profile in builtin_names().filter_map(Profile::builtin) {
                let _ = writeln!(out, "{:12} {}", profile.name, profile.about);
            }
        }
        Action::Show { name } => match builtin(name, Catalogue::current()) {
            Ok(profile) => {
                let _ = out.write_all(profile.text.as_bytes());
            }
            Err(text) => wrong(text),
        },
        Action::Check { files } => {
            for path in files {
                match from_file(path, Catalogue::current()) {
                    Ok(profile) => {
                        let digest = profile.reference().digest;
                        let _ = writeln!(
                            out,
                            "{}: the profile {} is sound ({digest})",
                            path.display(),
                            profile.name
                        );
                    }
                    Err(text) => wrong(text),
                }
            }
        }
    }
    code
}

/// A built-in profile by name, or one of a file.
pub(crate) fn profile(name: &str) -> Result<Profile, String> {
    profile_under(name, Catalogue::current())
}

/// The same over a version of the catalogue.
pub(crate) fn profile_under(name: &str, catalogue: &'static Catalogue) -> Result<Profile, String> {
    if name.contains(['/', '\\', '.']) && Profile::builtin(name).is_none() {
        return from_file(Path::new(name), catalogue);
    }
    builtin(name, catalogue)
}

/// A released version of the catalogue; the newest where none is named.
pub(crate) fn catalogue(version: Option<&str>) -> Result<&'static Catalogue, String> {
    let Some(version) = version else { return Ok(Catalogue::current()) };
    Catalogue::find(version).map_err(|unknown| {
        let hint = unknown.suggestion.map_or(String::new(), |near| format!(" (did you mean {near}?)"));
        format!("no version {version} of the catalogue was released{hint}")
    })
}

fn builtin(name: &str, catalogue: &'static Catalogue) -> Result<Profile, String> {
    Profile::builtin_under(name, catalogue).ok_or_else(|| {
        let hint =
            nearest(name, builtin_names()).map_or(String::new(), |near| format!(" (did you mean {near}?)"));
        format!("no profile is called {name}{hint}")
    })
}

fn from_file(path: &Path, catalogue: &'static Catalogue) -> Result<Profile, String> {
    let text = std::fs::read_to_string(path).map_err(|error| format!("{}: {error}", path.display()))?;
    Profile::read_under(&text, &beside(path), catalogue)
        .map_err(|error| format!("{}: {error}", path.display()))
}

/// The profiles that lie beside a file, by their own names.
fn beside(path: &Path) -> BTreeMap<String, String> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let mut paths: Vec<PathBuf> = entries
        .map(|entry| entry.path())
        .filter(|other| other != path && other.extension().is_some_and(|end| end == "toml"))
        .collect();
    paths.sort();
    paths
        .into_iter()
        .take(MOST_BESIDE)
        .filter_map(|other| std::fs::read_to_string(other).ok())
        .filter_map(|text| Some((Profile::name_of(&text)?, text)))
        .collect()
}

/// Why a run was refused, in words.
pub(crate) fn refusal(error: RequestError) -> String {
    match error {
        RequestError::UnknownCheck(unknown) => {
            let hint = unknown.suggestion.map_or(String::new(), |near| format!(" (did you mean {near}?)"));
            format!("no check and no family is called {}{hint}", unknown.id)
        }
        RequestError::Waiver(error) => {
            format!("the waivers cannot be read: {} (at {})", error.message, error.pointer)
        }
    }
}

/// A side file of waivers: a JSON list.
pub(crate) fn waivers(path: &Path) -> Result<Vec<Waiver>, String> {
    let wrong = |text: String| format!("{}: {text}", path.display());
    let text = std::fs::read_to_string(path).map_err(|error| wrong(error.to_string()))?;
    let list = serde_json::from_str(&text).map_err(|error| wrong(error.to_string()))?;
    Waiver::read_list(&list).map_err(|error| wrong(format!("{} (at {})", error.message, error.pointer)))
}

/// The reference skeleton: the file that was named, or the one that the profile names, beside the profile's file.
pub(crate) fn reference(
    asked: Option<&Path>,
    profile_file: &str,
    profile: &Profile,
) -> Result<Option<Intake>, String> {
    let named = profile.reference_skeleton.as_deref().and_then(|name| {
        let plain = !name.contains(['/', '\\', ':']) && !name.starts_with('.');
        let folder = Path::new(profile_file).parent().filter(|_| plain)?;
        let ends = ["", ".glb", ".gltf", ".plan.json"];
        ends.iter().map(|end| folder.join(format!("{name}{end}"))).find(|path| path.is_file())
    });
    let Some(path) = asked.map(Path::to_path_buf).or(named) else { return Ok(None) };
    let wrong = |text: String| format!("{}: {text}", path.display());
    let input = Input::read(&path).map_err(|error| wrong(error.to_string()))?;
    intake::read(&input.bundle(), &Limits::default()).map(Some).map_err(|fault| wrong(fault.to_string()))
}

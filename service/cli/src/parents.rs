//! `condyle parents`: suggests parents, without a server.

use std::io::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, ValueEnum};
use condyle_core::check::said;
use condyle_core::facts::Facts;
use condyle_core::finding::{Applicability, Fix};
use condyle_core::intake::{self, Limits};
use condyle_core::parenting::{Ask, Parents, suggest};
use condyle_core::render;
use condyle_core::repair::{Outcome, apply_fixes};

use crate::exit;
use crate::inputs::Input;
use crate::policy;
use crate::repair::{told, write};

/// Suggest the parents of joints that have none, and challenge those that look wrong.
#[derive(Debug, Args)]
pub(crate) struct Arguments {
    /// A plan or a model.
    file: PathBuf,
    /// Forget the parents that the file gives and suggest all of them.
    #[arg(long)]
    strip: bool,
    /// A built-in profile, or a profile file, whose conventions answer questions.
    #[arg(long, default_value = "realtime")]
    profile: String,
    /// An answer to a question, for example legs_hang_from=hips, or legs_hang_from=mostly_hips; may come several times.
    #[arg(long = "answer", value_name = "ID=ANSWER")]
    answers: Vec<String>,
    /// Only suggestions at least this probable (0 to 1) go into the patch.
    #[arg(long, default_value_t = 0.0)]
    min_probability: f64,
    /// How to print.
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Write the file with the suggested parents: joints of a model stay where they are, at rest and in every clip.
    #[arg(long, short)]
    output: Option<PathBuf>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    Text,
    Json,
    /// Only the JSON Patch.
    Patch,
}

/// Runs the command.
pub(crate) fn run(arguments: &Arguments) -> ExitCode {
    match answer(arguments) {
        Ok(parents) => {
            let text = match arguments.format {
                Format::Text => render::parents(&parents),
                Format::Json => serde_json::to_string_pretty(&parents).unwrap_or_default() + "\n",
                Format::Patch => serde_json::to_string_pretty(&parents.patch).unwrap_or_default() + "\n",
            };
            let _ = anstream::stdout().lock().write_all(text.as_bytes());
            ExitCode::SUCCESS
        }
        Err(text) => {
            let _ = writeln!(anstream::stderr().lock(), "condyle: {}: {text}", arguments.file.display());
            ExitCode::from(exit::INPUT)
        }
    }
}

fn answer(arguments: &Arguments) -> Result<Parents, String> {
    if !(0.0..=1.0).contains(&arguments.min_probability) {
        return Err("--min-probability lies outside 0 to 1".to_owned());
    }
    let input = Input::read(&arguments.file).map_err(|error| error.to_string())?;
    let read = intake::read(&input.bundle(), &Limits::default()).map_err(|fault| fault.to_string())?;
    let profile = policy::profile(&arguments.profile)?;
    let mut answers = said(&read);
    for given in &arguments.answers {
        let (id, text) = given.split_once('=').ok_or(format!("--answer {given} is not ID=ANSWER"))?;
        answers.insert(id.to_owned(), text.to_owned());
    }
    let ask = Ask { strip: arguments.strip, answers, least: arguments.min_probability };
    let name =
        arguments.file.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    let facts = Facts::new(&read.rig).with_answers(profile.conventions);
    let parents = suggest(&facts, &ask).map_err(|refusal| refusal.fault(&name).message)?;
    if let Some(output) = &arguments.output {
        let bytes = applied(&input, &parents)?;
        write(output, &bytes).map_err(|error| format!("{}: {error}", output.display()))?;
    }
    Ok(parents)
}

/// The file with the suggestions; its own bytes where there is nothing to suggest.
fn applied(input: &Input, parents: &Parents) -> Result<Vec<u8>, String> {
    let bundle = input.bundle();
    let patch = Fix::Patch {
        applicability: Applicability::Review,
        summary: String::new(),
        patch: parents.patch.clone(),
    };
    let fixes = if parents.patch.is_empty() { parents.repairs.clone() } else { vec![patch] };
    let (bytes, outcomes) = apply_fixes(&bundle, &Limits::default(), &fixes).map_err(told)?;
    if let Some(Outcome::Refused(reason)) = outcomes.into_iter().next() {
        return Err(format!("the suggestions cannot be applied: {reason}"));
    }
    let own = bundle.plan.or(bundle.model).map(|upload| upload.bytes.to_vec());
    bytes.or(own).ok_or_else(|| "there is no document".to_owned())
}

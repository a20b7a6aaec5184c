//! Parent suggestions for a terminal.

use crate::parenting::{Parents, RunnerUp, Status};

/// The suggestions in words: proposed parents with their reasons, challenged ones, questions.
pub fn parents(answer: &Parents) -> String {
    let mut out = String::new();
    let named = |parent: &Option<String>| parent.clone().unwrap_or_else(|| "no parent (a root)".to_owned());
    let percent = |p: f64| format!("{:.1} %", p * 100.0);
    let other = |other: &RunnerUp| format!("{}, {}", named(&other.parent), percent(other.probability));
    for one in &answer.suggestions {
        match one.status {
            Status::Confirmed => continue,
            Status::Proposed => {
                out += &format!("{} <- {}  {}", one.joint, named(&one.parent), percent(one.probability));
                if let Some(next) = &one.runner_up {
                    out += &format!("  (or {})", other(next));
                }
            }
            Status::Challenged => {
                out += &format!(
                    "{} should hang from {}  {}",
                    one.joint,
                    named(&one.parent),
                    percent(one.probability)
                );
                if let Some(present) = &one.present {
                    out += &format!("  (now {})", other(present));
                }
            }
        }
        out.push('\n');
        for reason in &one.reasons {
            out += &format!("    {reason}\n");
        }
    }
    for question in &answer.questions {
        out += &format!("? {} [{}] ({} joints)\n", question.text, question.id, question.joints.len());
        for option in &question.options {
            out += &format!("    {}  {}\n", option.answer, percent(option.probability));
        }
    }
    for id in &answer.unused_answers {
        out += &format!("! the answer to {id} fits no joint\n");
    }
    let challenged = answer.suggestions.iter().filter(|one| one.status == Status::Challenged).count();
    out += &format!(
        "{} parents proposed, {:.1} of them expected to be right; {challenged} parents challenged\n",
        answer.proposed, answer.expected_correct
    );
    out
}

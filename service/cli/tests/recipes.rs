//! The recipes of `deploy/gate`, as they are written: their commands are taken out of the files and run against a live
//! service, with a character that passes and with one that does not.
#![cfg_attr(not(feature = "client"), allow(unused))]
#![allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
#![allow(clippy::unnecessary_wraps, reason = "every trial has one shape")]

use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, Output};

use condyle_tests::Service;
use libtest_mimic::{Arguments, Failed, Trial};
use serde_json::{Value, json};
use yaml_rust2::{Yaml, YamlLoader};

fn main() -> ExitCode {
    let arguments = Arguments::from_args();
    let trial = |name: &str, tools: &[&str], run: fn() -> Result<(), Failed>| {
        let lacks: Vec<&&str> = tools.iter().filter(|tool| !there(tool)).collect();
        let why = if lacks.is_empty() { String::new() } else { format!(" (needs {lacks:?})") };
        let ignored = !lacks.is_empty() && std::env::var_os("CI").is_none();
        Trial::test(format!("{name}{why}"), run).with_ignored_flag(ignored)
    };
    let trials = if cfg!(feature = "client") {
        vec![
            trial("shell", &["sh", "curl"], shell),
            trial("make", &["make"], make),
            trial("github_actions", &["bash"], github),
            trial("gitlab_ci", &["sh"], gitlab),
            trial("jenkins", &["sh"], jenkins),
            trial("pre_commit", &["sh", "git"], pre_commit),
            trial("every_recipe_is_tried", &[], all),
        ]
    } else {
        vec![trial("pre_commit", &["sh", "git"], pre_commit)]
    };
    libtest_mimic::run(&arguments, trials).exit_code()
}

fn there(tool: &str) -> bool {
    Command::new("sh")
        .args(["-c", &format!("command -v {tool}")])
        .output()
        .is_ok_and(|out| out.status.success())
}

fn recipes() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../deploy/gate")
}

fn text(name: &str) -> String {
    std::fs::read_to_string(recipes().join(name)).unwrap()
}

fn plan(parent: &str) -> Value {
    json!({
        "schema": "condyle.plan/1", "asset": "stilt-heron",
        "joints": [
            {"name": "hips", "origin": [0, 1, 0], "tip": [0, 1.2, 0], "parent": null},
            {"name": "chest", "origin": [0, 1.2, 0], "tip": [0, 1.6, 0], "parent": parent},
        ]
    })
}

/// A service, and a folder as a build finds it.
struct Build {
    service: Service,
    folder: tempfile::TempDir,
    runtime: tokio::runtime::Runtime,
    token: String,
}

impl Build {
    fn new() -> Self {
        let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().unwrap();
        let (service, token) = runtime.block_on(async {
            let service = Service::start_with(|config| config.access.tokens = true).await;
            let scopes = [condyle_api::Scope::Submit, condyle_api::Scope::Read];
            let token = service.token("build-farm", &scopes, None).await;
            (service, token)
        });
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join("characters")).unwrap();
        Self { service, folder, runtime, token }
    }

    fn character(&self, parent: &str) {
        std::fs::write(self.at("characters/heron.plan.json"), plan(parent).to_string()).unwrap();
    }

    fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// A command with what a build machine has: the binary in its path, and the variables of the recipes.
    fn command(&self, program: &str) -> Command {
        let binary = Path::new(env!("CARGO_BIN_EXE_condyle")).parent().unwrap();
        let path = format!("{}:{}", binary.display(), std::env::var("PATH").unwrap());
        let mut command = Command::new(program);
        command.current_dir(self.folder.path()).env("PATH", path);
        command.envs([("CONDYLE_PRODUCTION", "tidepool-post"), ("CONDYLE_TOKEN", self.token.as_str())]);
        command.env("CONDYLE_SERVER", &self.service.base);
        command
    }

    /// What the service holds under a label.
    fn verdict(&self, label: &str) -> String {
        let url = self.service.url(&format!("/v1/assets/tidepool-post/stilt-heron/revisions/{label}"));
        let request = self.service.client.get(url).bearer_auth(&self.token);
        let revision: Value =
            self.runtime.block_on(async { request.send().await.unwrap().json().await.unwrap() });
        revision["verdict"].as_str().unwrap().to_owned()
    }
}

fn told(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

fn shell() -> Result<(), Failed> {
    let build = Build::new();
    let token = build.at("farm.token");
    std::fs::write(&token, &build.token)?;
    let run = |label: &str, file: &str| {
        let script = recipes().join("submit.sh").canonicalize().unwrap();
        build
            .command("sh")
            .env_remove("CONDYLE_TOKEN")
            .env("CONDYLE", &build.service.base)
            .env("CONDYLE_TOKEN_FILE", &token)
            .arg(script)
            .args(["tidepool-post", "stilt-heron", label, file])
            .output()
            .unwrap()
    };
    build.character("hips");
    let output = run("v1", "characters/heron.plan.json");
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    build.character("hisp");
    let output = run("v2", "characters/heron.plan.json");
    assert_eq!(output.status.code(), Some(1), "{}", told(&output));
    assert!(told(&output).contains("chest hangs from hisp"));
    assert_eq!((build.verdict("v1").as_str(), build.verdict("v2").as_str()), ("pass", "fail"));
    std::fs::write(build.at("junk.glb"), "glTF")?;
    assert_eq!(run("v3", "junk.glb").status.code(), Some(2));
    Ok(())
}

fn make() -> Result<(), Failed> {
    let build = Build::new();
    let run = |label: &str| {
        let makefile = recipes().join("Makefile").canonicalize().unwrap();
        build
            .command("make")
            .arg("-f")
            .arg(makefile)
            .args(["gate", &format!("LABEL={label}")])
            .output()
            .unwrap()
    };
    build.character("hips");
    let output = run("v1");
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    assert!(std::fs::read_to_string(build.at("condyle.xml"))?.contains("failures=\"0\""));
    build.character("hisp");
    let output = run("v2");
    assert!(!output.status.success() && told(&output).contains("Error 1"), "{}", told(&output));
    assert_eq!(build.verdict("v2"), "fail");
    Ok(())
}

fn yaml(name: &str) -> Yaml {
    YamlLoader::load_from_str(&text(name)).unwrap().remove(0)
}

/// As the runner does it: each `run` by `bash -eo pipefail`, and after a failure only what says `if: always()`.
fn github() -> Result<(), Failed> {
    let build = Build::new();
    let workflow = yaml("github-actions.yml");
    let steps = workflow["jobs"]["gate"]["steps"].as_vec().unwrap();
    let run = |label: &str| {
        let mut failed: Option<(i32, String)> = None;
        let mut all = String::new();
        for step in steps {
            let always = step["if"].as_str() == Some("always()");
            let Some(script) = step["run"].as_str().filter(|_| always || failed.is_none()) else { continue };
            let mut command = build.command("bash");
            command.args(["--noprofile", "--norc", "-eo", "pipefail", "-c", script]).env("GITHUB_SHA", label);
            let output = command.output().unwrap();
            all.push_str(&told(&output));
            if !output.status.success() {
                failed = failed.or(Some((output.status.code().unwrap(), told(&output))));
            }
        }
        (failed.map(|(code, _)| code), all)
    };
    build.character("hips");
    let (failed, all) = run("1111111");
    assert_eq!(failed, None, "{all}");
    build.character("hisp");
    let (failed, all) = run("2222222");
    assert_eq!(failed, Some(1), "{all}");
    assert!(all.contains("::error file=characters/heron.plan.json,"), "{all}");
    let log: Value = serde_json::from_str(&std::fs::read_to_string(build.at("condyle.sarif"))?)?;
    let results = log["runs"][0]["results"].as_array().unwrap();
    assert!(results.iter().any(|one| one["ruleId"] == "structure/unknown-parent"));
    assert_eq!(build.verdict("2222222"), "fail");
    Ok(())
}

/// As the runner does it: the lines of `script` by one shell that ends with the first that fails; those of `after_script`
/// by another, whatever came of the first and without a say in it.
fn gitlab() -> Result<(), Failed> {
    let build = Build::new();
    let pipeline = yaml("gitlab-ci.yml");
    let script = |key: &str| -> String {
        let list = pipeline["rigs"][key].as_vec().unwrap().iter();
        list.map(|line| line.as_str().unwrap()).collect::<Vec<_>>().join("\n")
    };
    let run = |label: &str| {
        let shell = |key: &str| {
            build.command("sh").args(["-ec", &script(key)]).env("CI_COMMIT_SHA", label).output().unwrap()
        };
        let output = shell("script");
        shell("after_script");
        output
    };
    build.character("hips");
    let output = run("1111111");
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    build.character("hisp");
    let output = run("2222222");
    assert_eq!(output.status.code(), Some(1), "{}", told(&output));
    let reports = &pipeline["rigs"]["artifacts"]["reports"];
    let quality = std::fs::read_to_string(build.at(reports["codequality"].as_str().unwrap()))?;
    let list: Value = serde_json::from_str(&quality)?;
    assert!(list.as_array().unwrap().iter().any(|one| one["check_name"] == "structure/unknown-parent"));
    let cases = std::fs::read_to_string(build.at(reports["junit"].as_str().unwrap()))?;
    assert!(cases.contains("<failure message=\"chest hangs from hisp"), "{cases}");
    Ok(())
}

/// As the step `sh` does it: `sh -xe` on what stands between the quotes.
fn jenkins() -> Result<(), Failed> {
    let build = Build::new();
    let file = text("Jenkinsfile");
    let script = file.split("'''").nth(1).unwrap();
    let run =
        |label: &str| build.command("sh").args(["-xec", script]).env("GIT_COMMIT", label).output().unwrap();
    build.character("hips");
    let output = run("1111111");
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    build.character("hisp");
    let output = run("2222222");
    assert_eq!(output.status.code(), Some(1), "{}", told(&output));
    let report = file.split("junit '").nth(1).unwrap().split('\'').next().unwrap();
    assert!(std::fs::read_to_string(build.at(report))?.contains("<failure"));
    Ok(())
}

fn pre_commit() -> Result<(), Failed> {
    let folder = tempfile::tempdir()?;
    let binary = Path::new(env!("CARGO_BIN_EXE_condyle")).parent().unwrap();
    let path = format!("{}:{}", binary.display(), std::env::var("PATH").unwrap());
    let git = |arguments: &[&str]| {
        let mut command = Command::new("git");
        command.current_dir(folder.path()).env("PATH", &path).env("GIT_CONFIG_GLOBAL", "/dev/null");
        command.args(["-c", "user.name=td", "-c", "user.email=td@tidepool.example"]).args(arguments);
        command.output().unwrap()
    };
    assert!(git(&["init", "--quiet"]).status.success());
    std::fs::copy(recipes().join("pre-commit"), folder.path().join(".git/hooks/pre-commit"))?;
    let rig = folder.path().join("a heron.plan.json");
    std::fs::write(&rig, plan("hisp").to_string())?;
    git(&["add", "."]);
    // What lies in the folder is sound; what would be committed is not.
    std::fs::write(&rig, plan("hips").to_string())?;
    let refused = git(&["commit", "--quiet", "-m", "a heron"]);
    assert!(
        !refused.status.success() && told(&refused).contains("chest hangs from hisp"),
        "{}",
        told(&refused)
    );
    git(&["add", "."]);
    let made = git(&["commit", "--quiet", "-m", "a heron"]);
    assert!(made.status.success(), "{}", told(&made));
    // A commit without a rig asks nothing.
    std::fs::write(folder.path().join("notes.txt"), "x")?;
    git(&["add", "."]);
    let made = git(&["commit", "--quiet", "-m", "notes"]);
    assert!(made.status.success(), "{}", told(&made));
    Ok(())
}

fn all() -> Result<(), Failed> {
    let tried = [
        "Jenkinsfile",
        "Makefile",
        "README.md",
        "github-actions.yml",
        "gitlab-ci.yml",
        "pre-commit",
        "submit.sh",
    ];
    let mut names: Vec<String> = std::fs::read_dir(recipes())?
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    assert_eq!(names, tried, "a recipe that nothing tries");
    Ok(())
}

//! `condyle token` beside a running `condyle serve`, and `submit`, `export` and `import` with a token, plain and over TLS
//! (certificate by rcgen).
#![cfg(feature = "server")]
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::io::{BufRead as _, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use serde_json::json;

/// Killed when dropped.
struct Server(Child, String);

impl Server {
    fn start(folder: &Path, settings: &[(&str, &str)]) -> Self {
        let mut command = Command::new(env!("CARGO_BIN_EXE_condyle"));
        command.args(["serve", "--listen", "127.0.0.1:0", "--data-dir"]).arg(folder.join("data"));
        command.env("CONDYLE__ACCESS__TOKENS", "true").envs(settings.iter().copied());
        let log = std::fs::File::create(folder.join("log")).unwrap();
        let mut child = command.stdout(Stdio::piped()).stderr(log).spawn().unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let address = line.trim().rsplit(' ').next().unwrap().to_owned();
        Self(child, address)
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// The program, without whatever the machine's own environment says about tokens.
fn condyle(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_condyle"));
    command.args(arguments);
    for name in ["CONDYLE_TOKEN", "CONDYLE_TOKEN_FILE", "CONDYLE_CA_FILE", "CONDYLE_SERVER"] {
        command.env_remove(name);
    }
    command
}

fn token(folder: &Path, arguments: &[&str]) -> Output {
    let mut command = condyle(&["token"]);
    command.args(arguments).arg("--data-dir").arg(folder.join("data")).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// What was printed, which must have gone well.
fn printed(output: &Output) -> String {
    assert!(output.status.success(), "{}{}", text(&output.stdout), text(&output.stderr));
    text(&output.stdout).trim().to_owned()
}

fn plan(folder: &Path) -> PathBuf {
    let plan = json!({
        "schema": "condyle.plan/1", "asset": "stilt-heron",
        "joints": [{"name": "hips", "origin": [0, 1, 0], "tip": [0, 1.2, 0], "parent": null}]
    });
    let path = folder.join("heron.plan.json");
    std::fs::write(&path, plan.to_string()).unwrap();
    path
}

fn submit(server: &str, file: &Path, label: &str) -> Command {
    let mut command = condyle(&["submit", "--server", server, "--production", "tidepool-post"]);
    command.args(["--asset", "stilt-heron", "--label", label, "--timeout", "5"]).arg(file);
    command
}

#[test]
fn the_first_token_is_made_at_the_machine_and_the_client_sends_it_unseen() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let file = plan(folder);
    // Before there is a service.
    let made = token(folder, &["create", "admin", "--scope", "administer", "--scope", "read"]);
    let admin = printed(&made);
    assert!(admin.starts_with("condyle_") && !admin.contains(char::is_whitespace), "the secret alone");
    assert!(!text(&made.stderr).contains(&admin));
    let server = Server::start(folder, &[]);
    // And while there is one.
    let scopes = ["--scope", "submit", "--scope", "read", "--production", "tidepool-post"];
    let farm = printed(&token(folder, &[&["create", "farm"], &scopes[..]].concat()));
    let kept = folder.join("farm.token");
    std::fs::write(&kept, format!("{farm}\n")).unwrap();

    let none = submit(&server.1, &file, "v1").output().unwrap();
    assert_eq!(none.status.code(), Some(2), "{}", text(&none.stderr));
    assert!(text(&none.stderr).contains("This takes a token"), "{}", text(&none.stderr));
    let wrong = submit(&server.1, &file, "v1").env("CONDYLE_TOKEN", "condyle_0_wrong").output().unwrap();
    assert_eq!(wrong.status.code(), Some(2));
    assert!(!text(&wrong.stderr).contains("condyle_0_wrong"), "{}", text(&wrong.stderr));
    let by_file = submit(&server.1, &file, "v1").env("CONDYLE_TOKEN_FILE", &kept).output().unwrap();
    assert!(printed(&by_file).contains("PASS"), "{}", text(&by_file.stdout));
    let by_name = submit(&server.1, &file, "v1").env("CONDYLE_TOKEN", &farm).output().unwrap();
    printed(&by_name);
    let mut both = submit(&server.1, &file, "v1");
    let both = both.env("CONDYLE_TOKEN", &farm).env("CONDYLE_TOKEN_FILE", &kept).output().unwrap();
    assert_eq!(both.status.code(), Some(2));
    let help = printed(&condyle(&["submit", "--help"]).output().unwrap());
    assert!(help.contains("CONDYLE_TOKEN_FILE") && !help.contains("--token"), "never a flag: {help}");

    let archive = folder.join("show.tar");
    let export = condyle(&["export", "tidepool-post", "--server", &server.1, "-o"])
        .arg(&archive)
        .env("CONDYLE_TOKEN_FILE", &kept)
        .output()
        .unwrap();
    printed(&export);
    let import = |token: &str| {
        condyle(&["import", "low-water", "--server", &server.1])
            .arg(&archive)
            .env("CONDYLE_TOKEN", token)
            .output()
            .unwrap()
    };
    let refused = import(&farm);
    assert_eq!(refused.status.code(), Some(2));
    assert!(text(&refused.stderr).contains("does not allow"), "{}", text(&refused.stderr));
    assert!(printed(&import(&admin)).contains("1 revisions of 1 assets stored"));

    let list = printed(&token(folder, &["list"]));
    assert!(list.contains("farm") && list.contains("tidepool-post") && !list.contains(&farm), "{list}");
    let id = farm.split('_').nth(1).unwrap();
    let turned = printed(&token(folder, &["rotate", id, "--overlap-s", "3600"]));
    assert!(turned != farm && turned.contains(id));
    let sent = || submit(&server.1, &file, "v1").env("CONDYLE_TOKEN", &turned).output().unwrap();
    // A service that runs feels it within five seconds.
    let patience = Instant::now() + Duration::from_secs(20);
    while !sent().status.success() {
        assert!(Instant::now() < patience, "the new secret is taken");
        std::thread::sleep(Duration::from_millis(500));
    }
    printed(&token(folder, &["revoke", id]));
    let patience = Instant::now() + Duration::from_secs(20);
    while sent().status.success() {
        assert!(Instant::now() < patience, "the revoked one is refused");
        std::thread::sleep(Duration::from_millis(500));
    }
    let again = token(folder, &["rotate", id]);
    assert_eq!(again.status.code(), Some(2));
    drop(server);
    // Nothing of all this is in the log.
    let log = std::fs::read_to_string(folder.join("log")).unwrap();
    assert!(
        log.contains("/v1/assets/") && ![&admin, &farm, &turned].iter().any(|secret| log.contains(*secret))
    );
    assert!(!log.contains("condyle_0_wrong"));
}

#[test]
fn a_client_trusts_the_studios_own_certificate_when_told_to() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let (certificate, key) = (folder.join("certificate.pem"), folder.join("key.pem"));
    let certify = || {
        let made = rcgen::generate_simple_self_signed(["127.0.0.1".to_owned()]).unwrap();
        std::fs::write(&certificate, made.cert.pem()).unwrap();
        std::fs::write(&key, made.signing_key.serialize_pem()).unwrap();
    };
    certify();
    let secret = printed(&token(folder, &["create", "farm", "--scope", "submit", "--scope", "read"]));
    let settings = [
        ("CONDYLE__TLS__CERTIFICATE_FILE", certificate.to_str().unwrap()),
        ("CONDYLE__TLS__KEY_FILE", key.to_str().unwrap()),
        ("CONDYLE__TLS__RELOAD_S", "3600"),
    ];
    let server = Server::start(folder, &settings);
    assert!(server.1.starts_with("https://"), "{}", server.1);
    let file = plan(folder);
    let strange = submit(&server.1, &file, "v1").env("CONDYLE_TOKEN", &secret).output().unwrap();
    assert_eq!(strange.status.code(), Some(3), "{}", text(&strange.stderr));
    let known = || {
        let mut command = submit(&server.1, &file, "v1");
        command.env("CONDYLE_TOKEN", &secret).env("CONDYLE_CA_FILE", &certificate).output().unwrap()
    };
    assert!(printed(&known()).contains("PASS"));
    // A renewed one is shown at once when the service is told.
    certify();
    assert_eq!(known().status.code(), Some(3), "the old one is still shown");
    if cfg!(unix) {
        let hung_up = Command::new("kill").args(["-HUP", &server.0.id().to_string()]).status().unwrap();
        assert!(hung_up.success());
        let patience = Instant::now() + Duration::from_secs(20);
        while !known().status.success() {
            assert!(Instant::now() < patience, "the new one is shown");
        }
    }
}

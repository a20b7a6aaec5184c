//! Bare `condyle`: the service, the demo characters submitted through HTTP, and the answers in print.

use std::io::Write as _;
use std::net::SocketAddr;
use std::process::ExitCode;

use condyle_core::demo::{Character, NAMES, character, faulty};
use condyle_core::export::{Storage, write_glb};
use condyle_core::render;
use condyle_core::report::Report;
use reqwest::StatusCode;
use reqwest::multipart::{Form, Part};

use crate::exit;
use crate::serve;

/// Vertices of a demo character, about: the resolution at which `core/tests/demo.rs` holds them to be clean.
const VERTICES: usize = 3_000;
/// The show the demo characters belong to.
const PRODUCTION: &str = "tidepool-post";

pub(crate) fn run(arguments: &serve::Arguments) -> ExitCode {
    let mut config = match arguments.layered() {
        Ok(layered) => layered.config,
        Err(error) => return serve::failed(&error.to_string(), exit::INPUT),
    };
    if config.log.filter == "info" {
        "warn".clone_into(&mut config.log.filter);
    }
    condyle_server::telemetry::logging(&config.log.filter, config.log.format == "json");
    let runtime = match tokio::runtime::Runtime::new() {
        Ok(runtime) => runtime,
        Err(error) => return serve::failed(&error.to_string(), exit::SERVICE),
    };
    let scheme = if config.tls.on() { "https" } else { "http" };
    let outcome = runtime.block_on(async {
        let (told, heard) = tokio::sync::oneshot::channel::<SocketAddr>();
        let ready = move |address| {
            let _ = told.send(address);
        };
        let serving = tokio::spawn(condyle_server::serve(config, ready, crate::signals::stop()));
        if let Ok(address) = heard.await
            && let Err(error) = submit_all(scheme, address).await
        {
            let _ =
                writeln!(anstream::stderr(), "condyle: the demo characters could not be submitted: {error}");
        }
        serving.await
    });
    match outcome {
        Ok(Ok(())) => ExitCode::SUCCESS,
        Ok(Err(error)) => serve::failed(&error.to_string(), exit::SERVICE),
        Err(error) => serve::failed(&error.to_string(), exit::SERVICE),
    }
}

async fn submit_all(scheme: &str, address: SocketAddr) -> Result<(), String> {
    let base = format!("{scheme}://{address}");
    let client = crate::service::client(
        &base.parse().map_err(|_| base.clone())?,
        false,
        &crate::service::Trust::default(),
    )?;
    for name in NAMES {
        let planted = faulty(name, VERTICES).map(|(character, _)| character);
        for (label, character) in [("clean", character(name, VERTICES)), ("planted", planted)] {
            let Some(character) = character else { continue };
            submit(&client, &base, name, label, &character).await?;
        }
    }
    let mut out = anstream::stdout().lock();
    let _ = writeln!(
        out,
        "condyle listens on {base}  (the page: {base}/, the reference: {base}/docs; stop with Ctrl-C)"
    );
    Ok(())
}

/// Submits the plan together with its body, and prints the report.
async fn submit(
    client: &reqwest::Client,
    base: &str,
    name: &str,
    label: &str,
    character: &Character,
) -> Result<(), String> {
    let plan = serde_json::to_vec_pretty(&character.plan).map_err(|e| e.to_string())?;
    let glb = write_glb(&character.scene, &Storage::default());
    let part = |bytes: Vec<u8>, file: String, kind: &str| {
        Part::bytes(bytes).file_name(file).mime_str(kind).map_err(|e| e.to_string())
    };
    // Twice: as a plan with its body, which every check of plans can then measure, and as the bound model alone.
    let paired = Form::new()
        .part("plan", part(plan, format!("{name}.plan.json"), "application/json")?)
        .part("model", part(glb.clone(), format!("{name}.glb"), "model/gltf-binary")?);
    let alone = Form::new().part("model", part(glb, format!("{name}.glb"), "model/gltf-binary")?);
    for (form, body) in [("plan", paired), ("bound", alone)] {
        let url = format!("{base}/v1/assets/{PRODUCTION}/{name}/revisions/{label}-{form}");
        let response = client.put(&url).multipart(body).send().await.map_err(|e| format!("{url}: {e}"))?;
        let status = response.status();
        if !status.is_success() {
            return Err(format!("{url}: {status}: {}", response.text().await.unwrap_or_default()));
        }
        let report: Report = client
            .get(format!("{url}/report"))
            .send()
            .await
            .map_err(|e| e.to_string())?
            .json()
            .await
            .map_err(|e| e.to_string())?;
        let mut out = anstream::stdout().lock();
        let known = if status == StatusCode::CREATED { "" } else { " (already known)" };
        let _ = writeln!(out, "── {name} {label}-{form}{known}");
        let _ = writeln!(out, "{}", render::text(&report, render::Style { colour: true, explain: false }));
    }
    Ok(())
}

//! Fits the parenting model on folders of skeletons, or prints how well a recipe does on makers it has not seen.
//!
//! `cargo run --release -p condyle-core --features fit --example fit-parents -- FOLDER… -o core/src/parenting/model.bin`
//! `… -- FOLDER… --table [--only named] [--folds 5]` prints the cross-validation table, grouped by maker.
//! `… --bodies MODELS` adds what it is worth to have the body, on the skeletons whose model lies below that folder.
//! `… -- FOLDER… --answers` prints every answer of the built-in model, to compare two builds.
//! `… -- FOLDER… --ceiling [--only named] [--folds 3]` prints what bounds it: how far makers agree, how well it knows its
//! own bodies, and how it grows with the number of makers.
#![expect(clippy::print_stdout, clippy::print_stderr, reason = "a tool for a terminal")]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Instant;

use condyle_core::body::Body;
use condyle_core::facts::Facts;
use condyle_core::intake::{self, Bundle, Intake, Limits, Upload};
use condyle_core::parenting::RootRule;
use condyle_core::parenting::arborescence::{Edge, best_tree};
use condyle_core::parenting::fit::{
    Baseline, Dice, Params, Prepared, Recipe, Sample, Scores, Setting, Trial, agreement, baseline,
    best_temperature, fit, fit_model, folds, judge, prepare, reach, read_samples, shipped, small, synthetic,
    with_bodies, write_sample,
};
use condyle_core::parenting::model::{Expert, Model};

fn main() -> ExitCode {
    match run(&std::env::args().skip(1).collect::<Vec<_>>()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(text) => {
            eprintln!("fit-parents: {text}");
            ExitCode::FAILURE
        }
    }
}

#[expect(clippy::struct_excessive_bools, reason = "flags of a command line")]
struct Arguments {
    folders: Vec<PathBuf>,
    output: Option<PathBuf>,
    table: bool,
    small: bool,
    errors: bool,
    answers: bool,
    ceiling: bool,
    only: Option<String>,
    folds: usize,
    trees: Option<usize>,
    second: Option<usize>,
    copies: Option<usize>,
    synthetic: Option<usize>,
    parts: Option<usize>,
    rate: Option<f64>,
    leaves: Option<usize>,
    keep: Option<PathBuf>,
    bodies: Option<PathBuf>,
    seed: Option<u64>,
}

fn arguments(words: &[String]) -> Result<Arguments, String> {
    let mut out = Arguments {
        folders: Vec::new(),
        output: None,
        table: false,
        small: false,
        errors: false,
        answers: false,
        ceiling: false,
        only: None,
        folds: 5,
        trees: None,
        second: None,
        copies: None,
        synthetic: None,
        parts: None,
        rate: None,
        leaves: None,
        keep: None,
        bodies: None,
        seed: None,
    };
    let mut words = words.iter();
    while let Some(word) = words.next() {
        let mut value = || words.next().cloned().ok_or(format!("{word} needs a value"));
        let number = |text: String| text.parse::<usize>().map_err(|error| error.to_string());
        match word.as_str() {
            "-o" => out.output = Some(value()?.into()),
            "--table" => out.table = true,
            "--small" => out.small = true,
            "--errors" => out.errors = true,
            "--answers" => out.answers = true,
            "--ceiling" => out.ceiling = true,
            "--only" => out.only = Some(value()?),
            "--folds" => out.folds = number(value()?)?,
            "--trees" => out.trees = Some(number(value()?)?),
            "--second" => out.second = Some(number(value()?)?),
            "--copies" => out.copies = Some(number(value()?)?),
            "--synthetic" => out.synthetic = Some(number(value()?)?),
            "--parts" => out.parts = Some(number(value()?)?),
            "--leaves" => out.leaves = Some(number(value()?)?),
            "--rate" => out.rate = Some(value()?.parse().map_err(|_| "--rate needs a number")?),
            "--bodies" => out.bodies = Some(value()?.into()),
            "--keep" => out.keep = Some(value()?.into()),
            "--seed" => out.seed = Some(number(value()?)? as u64),
            folder => out.folders.push(folder.into()),
        }
    }
    Ok(out)
}

fn run(words: &[String]) -> Result<(), String> {
    if words.first().is_some_and(|word| word == "--speed") {
        speed();
        return Ok(());
    }
    if let [word, folder, count] = words
        && word == "--generate"
    {
        return generate(Path::new(folder), count.parse().map_err(|_| "--generate FOLDER COUNT")?);
    }
    let arguments = arguments(words)?;
    let (samples, digest) = read(&arguments.folders)?;
    let joints: usize = samples.iter().map(|sample| sample.items.len()).sum();
    println!("{} skeletons, {joints} joints, digest {digest}", samples.len());
    let recipes: Vec<(Recipe, f64)> = if arguments.small { small() } else { shipped() }
        .into_iter()
        .filter(|(recipe, _)| arguments.only.as_ref().is_none_or(|only| only == recipe.setting.name()))
        .map(|(recipe, temperature)| (changed(recipe, &arguments), temperature))
        .collect();
    if arguments.table {
        let intakes = match &arguments.bodies {
            Some(models) => models_of(&arguments.folders, models)?,
            None => BTreeMap::new(),
        };
        let facts: Vec<(&String, Facts<'_>)> =
            intakes.iter().map(|(name, intake)| (name, Facts::new(&intake.rig))).collect();
        let bodies: BTreeMap<String, Body<'_>> =
            facts.iter().filter_map(|(name, facts)| Some(((*name).clone(), facts.solid()?))).collect();
        println!("{}", Scores::head());
        for (recipe, temperature) in &recipes {
            table(&samples, recipe, *temperature, &arguments, &bodies)?;
        }
    }
    if arguments.answers {
        answers(&samples);
    }
    if arguments.ceiling {
        agreed(&samples);
        println!("{}", Scores::head());
        for (recipe, temperature) in &recipes {
            ceiling(&samples, recipe, *temperature, &arguments);
        }
    }
    if let Some(path) = arguments.output {
        let begun = Instant::now();
        let model = fit_model(&samples, &recipes, digest);
        let bytes = model.write();
        std::fs::write(&path, &bytes).map_err(|error| format!("{}: {error}", path.display()))?;
        println!("{} bytes in {:.0} s", bytes.len(), begun.elapsed().as_secs_f64());
    }
    Ok(())
}

/// A shipped recipe, changed as asked.
fn changed(recipe: Recipe, arguments: &Arguments) -> Recipe {
    let mut recipe = recipe;
    recipe.first.trees = arguments.trees.unwrap_or(recipe.first.trees);
    recipe.second.trees = arguments.second.unwrap_or(recipe.second.trees);
    recipe.copies = arguments.copies.unwrap_or(recipe.copies);
    recipe.synthetic = arguments.synthetic.unwrap_or(recipe.synthetic);
    recipe.parts = arguments.parts.unwrap_or(recipe.parts);
    recipe.first.rate = arguments.rate.unwrap_or(recipe.first.rate);
    recipe.first.leaves = arguments.leaves.unwrap_or(recipe.first.leaves);
    recipe.seed = arguments.seed.unwrap_or(recipe.seed);
    recipe
}

/// An expert for each fold, fitted on the other folds; kept in files where a folder for them is given.
fn experts(
    samples: &[Sample],
    recipe: &Recipe,
    arguments: &Arguments,
) -> Result<Vec<(Expert, Vec<Sample>)>, String> {
    let mut out = Vec::new();
    for (number, (others, own)) in folds(samples, arguments.folds).into_iter().enumerate() {
        let name = format!("{}-{}-{number}.bin", recipe.setting.name(), arguments.folds);
        let path = arguments.keep.as_ref().map(|folder| folder.join(name));
        let kept = path.as_ref().and_then(|path| std::fs::read(path).ok());
        let expert = match kept {
            Some(bytes) => Model::read(&bytes)?.experts.into_iter().next().ok_or("no expert")?,
            None => fit(&others, recipe),
        };
        if let Some(path) = path {
            let model =
                Model { trained_on: String::new(), skeletons: others.len(), experts: vec![expert.clone()] };
            std::fs::write(&path, model.write()).map_err(|error| format!("{}: {error}", path.display()))?;
        }
        out.push((expert, own));
    }
    Ok(out)
}

/// The models that skeletons were read from, by the skeleton's name, where they lie below a folder.
fn models_of(folders: &[PathBuf], models: &Path) -> Result<BTreeMap<String, Intake>, String> {
    let mut out = BTreeMap::new();
    for path in paths(folders)? {
        let text = std::fs::read(&path).map_err(|error| format!("{}: {error}", path.display()))?;
        let skeleton: serde_json::Value =
            serde_json::from_slice(&text).map_err(|error| format!("{}: {error}", path.display()))?;
        let (Some(name), Some(source)) = (skeleton["name"].as_str(), skeleton["source"].as_str()) else {
            continue;
        };
        let model = models.join(source);
        let Ok(bytes) = std::fs::read(&model) else { continue };
        let folder = model.parent().map(std::fs::read_dir);
        let files: Vec<(String, Vec<u8>)> = folder
            .into_iter()
            .flatten()
            .flatten()
            .flatten()
            .filter(|entry| entry.path().extension().is_some_and(|end| end == "bin"))
            .filter_map(|entry| {
                Some((entry.file_name().into_string().ok()?, std::fs::read(entry.path()).ok()?))
            })
            .collect();
        let files = files.iter().map(|(name, bytes)| Upload { name, bytes }).collect();
        let bundle = Bundle { model: Some(Upload { name: "model", bytes: &bytes }), files, plan: None };
        if let Ok(intake) = intake::read(&bundle, &Limits::default()) {
            out.insert(name.to_owned(), intake);
        }
    }
    Ok(out)
}

fn table(
    samples: &[Sample],
    recipe: &Recipe,
    temperature: f64,
    arguments: &Arguments,
    bodies: &BTreeMap<String, Body<'_>>,
) -> Result<(), String> {
    let begun = Instant::now();
    let fitted = experts(samples, recipe, arguments)?;
    let seconds = begun.elapsed().as_secs_f64();
    let name = recipe.setting.name();
    let look = |change: &dyn Fn(&Expert) -> Expert| -> Vec<Prepared> {
        fitted.iter().flat_map(|(expert, own)| prepare(own, recipe.setting, &change(expert))).collect()
    };
    let plain = Trial { rule: RootRule::Any, twins: false, questions: 0, temperature: Some(temperature) };
    let tied = Trial { twins: true, ..plain.clone() };
    if recipe.setting == Setting::Plan {
        println!(
            "{}",
            baseline(samples, recipe.setting, Baseline::NearestSegment).line("nearest segment, roots known")
        );
    } else {
        println!(
            "{}",
            baseline(samples, recipe.setting, Baseline::SpanningTree).line("spanning tree, roots known")
        );
    }
    if recipe.second.trees > 0 {
        let first = look(&|expert| Expert { second: None, ..expert.clone() });
        println!("{}", judge(&first, &plain).line(&format!("{name}, first stage")));
    }
    let looked = look(&|expert| expert.clone());
    println!("{}", judge(&looked, &plain).line(&format!("{name}, twins apart")));
    let shipped = judge(&looked, &tied);
    println!("{}", shipped.line(name));
    println!(
        "{}",
        judge(&looked, &Trial { rule: RootRule::One, ..tied.clone() }).line(&format!("{name}, one root"))
    );
    if !bodies.is_empty() {
        let some: Vec<(Expert, Vec<Sample>)> = fitted
            .iter()
            .map(|(expert, own)| {
                let own = own.iter().filter(|sample| bodies.contains_key(&sample.name)).cloned().collect();
                (expert.clone(), own)
            })
            .collect();
        let look =
            || some.iter().flat_map(|(expert, own)| prepare(own, recipe.setting, expert)).collect::<Vec<_>>();
        println!("{}", judge(&look(), &tied).line("   those with a body, without it"));
        let with = with_bodies(look(), bodies);
        println!("{}", judge(&with, &tied).line("   with it"));
        let asked = Trial { questions: 3, ..tied.clone() };
        println!("{}", judge(&with, &asked).line("   with it, 3 questions"));
    }
    let heads = shipped.heads();
    println!("{}", heads.line("   heads of parts"));
    for (scores, title) in [
        (heads.alone(true), "   parts of one joint"),
        (heads.alone(false), "   longer parts"),
        (heads.declared(true), "   with a kind"),
        (heads.declared(false), "   without a kind"),
    ] {
        println!("{}", scores.line(title));
    }
    println!("   best temperature {}", best_temperature(&looked));
    for t in [0.9, 1.1, 1.2] {
        let scores = judge(&looked, &Trial { temperature: Some(t), ..tied.clone() });
        println!("{} honesty {:.4}", scores.line(&format!("{name}, temperature {t}")), scores.honesty());
    }
    for questions in 1..=3 {
        let scores = judge(&looked, &Trial { questions, ..tied.clone() });
        println!("{}", scores.line(&format!("{name}, {questions} questions")));
        println!("{}", scores.not_asked().line("   not asked about"));
    }
    let most = reach(&looked, 3);
    println!(
        "   {:.1} right unasked; at most {:.1} with the best three questions and {:.1} with all",
        100.0 * most.unasked,
        100.0 * most.asked,
        100.0 * most.all_asked
    );
    for (title, words) in KINDS {
        println!("{}", shipped.of_kind(words).line(title));
    }
    for (text, joints, makers) in shipped.faults() {
        println!("   {joints:>5} joints of {makers:>3} makers: {text}");
    }
    if arguments.errors {
        for text in shipped.wrong() {
            println!("  {text}");
        }
    }
    println!("   ({seconds:.0} s of fitting)");
    Ok(())
}

/// Every answer of the built-in model.
fn answers(samples: &[Sample]) {
    let trial = Trial { rule: RootRule::Any, twins: true, questions: 0, temperature: None };
    for setting in [Setting::Named, Setting::Bare, Setting::Plan] {
        let Some(expert) = Model::built_in().expert(setting.name()) else { continue };
        for line in judge(&prepare(samples, setting, expert), &trial).answers() {
            println!("{} {line}", setting.name());
        }
    }
}

/// How far makers agree on one choice.
fn agreed(samples: &[Sample]) {
    let found = agreement(samples);
    let hundred = |share: f64| 100.0 * share;
    println!(
        "{} deforming joints of known kinds, {} in situations that three other makers have met: {:.1} hang as most of them do it",
        found.known,
        found.met,
        hundred(found.as_others)
    );
    println!(
        "{} of these have kin in their skeleton: {:.1} hang as most other makers do it, {:.1} as their kin",
        found.with_kin,
        hundred(found.kin_as_others),
        hundred(found.kin_as_own)
    );
    for (kind, otherwise, all) in found.split.iter().take(12) {
        println!("   {otherwise:>5} of {all:>5} hang otherwise: {kind}");
    }
}

/// What a recipe reaches on the bodies it was fitted on, and on new ones the more makers it has seen: single fits.
fn ceiling(samples: &[Sample], recipe: &Recipe, temperature: f64, arguments: &Arguments) {
    let name = recipe.setting.name();
    let trial = Trial { rule: RootRule::Any, twins: true, questions: 0, temperature: Some(temperature) };
    if let Some(expert) = Model::built_in().expert(name) {
        let scores = judge(&prepare(samples, recipe.setting, expert), &trial);
        println!("{}", scores.line(&format!("{name}, its own bodies")));
    }
    let single = Recipe { members: 1, ..*recipe };
    let mut large = Recipe { second: Params { trees: 0, ..recipe.second }, ..single };
    large.first.trees *= 3;
    large.first.leaves *= 3;
    let scores = judge(&prepare(samples, recipe.setting, &fit(samples, &large)), &trial);
    println!("{}", scores.line(&format!("{name}, own, nine times")));
    let mut curve = Vec::new();
    for part in [4, 2, 1] {
        let mut scores = Scores::default();
        let mut makers = 0;
        for (others, own) in folds(samples, arguments.folds) {
            let (few, count) = some_makers(&others, part);
            makers += count;
            scores.extend(judge(&prepare(&own, recipe.setting, &fit(&few, &single)), &trial));
        }
        let makers = makers as f64 / arguments.folds.max(1) as f64;
        println!("{}", scores.line(&format!("{name}, of {makers:.0} makers")));
        curve.push((makers.log2(), 100.0 * scores.right(true), 100.0 * scores.makers(true).0));
    }
    if let [(a, ..), .., (b, ..)] = curve[..] {
        let slope = |pick: fn(&(f64, f64, f64)) -> f64| {
            let (first, last) = (curve.first().map_or(0.0, pick), curve.last().map_or(0.0, pick));
            (last - first) / (b - a)
        };
        println!(
            "   each doubling of the makers: {:+.1} joints, {:+.1} makers",
            slope(|one| one.1),
            slope(|one| one.2)
        );
    }
}

/// One in so many of the makers, drawn once; how many that are.
fn some_makers(samples: &[Sample], part: usize) -> (Vec<Sample>, usize) {
    let mut makers: Vec<&str> = samples.iter().map(|sample| sample.maker.as_str()).collect();
    makers.sort_unstable();
    makers.dedup();
    Dice(17).shuffle(&mut makers);
    makers.truncate(makers.len().div_ceil(part));
    let few = samples.iter().filter(|sample| makers.contains(&sample.maker.as_str())).cloned().collect();
    (few, makers.len())
}

/// Groups of kinds for the table.
const KINDS: &[(&str, &[&str])] = &[
    ("   people", &["biped (", "biped", "human"]),
    ("   quadrupeds", &["quadruped"]),
    ("   birds and winged", &["bird", "wing", "dinosaur", "flying"]),
    ("   robots and body trees", &["robot", "body tree", "gripper"]),
    ("   plants, cloth, props", &["plant", "cloth", "prop"]),
    ("   fish", &["fish"]),
    ("   many-legged, chains", &["many", "limbless", "tentacle"]),
];

/// Every skeleton of the folders, by file name, and the digest of the files that were used.
fn read(folders: &[PathBuf]) -> Result<(Vec<Sample>, String), String> {
    let files = paths(folders)?
        .iter()
        .map(|path| std::fs::read(path).map_err(|error| format!("{}: {error}", path.display())))
        .collect::<Result<Vec<_>, _>>()?;
    read_samples(&files)
}

/// The files of the folders, by their names.
fn paths(folders: &[PathBuf]) -> Result<Vec<PathBuf>, String> {
    let mut paths: Vec<PathBuf> = Vec::new();
    for folder in folders {
        let entries = std::fs::read_dir(folder).map_err(|error| format!("{}: {error}", folder.display()))?;
        paths.extend(entries.flatten().map(|entry| entry.path()).filter(|path| is_json(path)));
    }
    paths.sort_by_key(|path| path.file_name().map(std::ffi::OsStr::to_owned));
    Ok(paths)
}

fn is_json(path: &Path) -> bool {
    path.extension().is_some_and(|end| end == "json")
}

/// Writes generated skeletons: the small set that a test fits.
fn generate(folder: &Path, count: usize) -> Result<(), String> {
    std::fs::create_dir_all(folder).map_err(|error| error.to_string())?;
    for index in 0..count {
        let sample = synthetic(&mut Dice(4_000 + index as u64), index);
        let path = folder.join(format!("generated_{index:02}.json"));
        std::fs::write(&path, format!("{}\n", write_sample(&sample))).map_err(|error| error.to_string())?;
    }
    Ok(())
}

/// How long one skeleton takes: generated ones put side by side until there are as many joints.
fn speed() {
    for wanted in [200, 1_000] {
        let mut sample = synthetic(&mut Dice(1), 0);
        let mut number = 1;
        while sample.items.len() < wanted {
            let more = synthetic(&mut Dice(number), number as usize);
            let base = sample.items.len();
            for (k, mut item) in more.items.into_iter().enumerate().take(wanted - base) {
                item.at.x += number as f64 * 2.0;
                item.name = item.name.map(|name| format!("{name}_{number}"));
                sample.rest.push(item.at);
                sample.items.push(item);
                sample.truth.push(more.truth[k].map(|p| p + base));
                sample.deforming.push(true);
                sample.chain.push(1_000 * number as usize + more.chain[k]);
            }
            number += 1;
        }
        for setting in [Setting::Named, Setting::Bare] {
            let Some(expert) = Model::built_in().expert(setting.name()) else { return };
            let trial = Trial { rule: RootRule::One, twins: true, questions: 0, temperature: None };
            let times = (0..5).map(|_| {
                let begun = Instant::now();
                let scores = judge(&prepare(std::slice::from_ref(&sample), setting, expert), &trial);
                (begun.elapsed().as_secs_f64() * 1e3, scores.joints(true))
            });
            let best = times.fold((f64::INFINITY, 0), |a, b| if b.0 < a.0 { b } else { a });
            println!("{} joints, {}: {:.1} ms (the best of 5)", best.1, setting.name(), best.0);
        }
        // Larger graphs take networkx minutes.
        if wanted > 200 {
            continue;
        }
        if let Err(text) = beside_networkx(wanted) {
            println!("   networkx was not timed: {text}");
        }
    }
}

/// The best tree of a random graph of so many nodes, twenty edges into each, by us and by networkx in a process of its own.
fn beside_networkx(nodes: usize) -> Result<(), String> {
    let python = std::env::var("CONDYLE_BENCH_PYTHON").map_err(|_| "CONDYLE_BENCH_PYTHON names no Python")?;
    let mut dice = Dice(nodes as u64);
    let mut edges = Vec::new();
    for to in 1..=nodes {
        // Whole numbers, so that both sums are exact.
        let mut score = || f64::from(dice.below(20_001) as u32) - 10_000.0;
        edges.push(Edge { from: 0, to, score: score() - 20_000.0 });
        let others: std::collections::BTreeSet<usize> =
            (0..20).map(|k| 1 + (to * 31 + k * k * 7 + 3) % nodes).filter(|from| *from != to).collect();
        edges.extend(others.into_iter().map(|from| Edge { from, to, score: score() }));
    }
    let mut ours = f64::INFINITY;
    let mut total = 0.0;
    for _ in 0..5 {
        let begun = Instant::now();
        let tree = best_tree(nodes + 1, &edges).ok_or("no tree")?;
        ours = ours.min(begun.elapsed().as_secs_f64());
        total = tree.iter().map(|index| edges[*index].score).sum();
    }
    let path = std::env::temp_dir().join(format!("condyle-graph-{}.json", std::process::id()));
    let list: Vec<_> = edges.iter().map(|edge| (edge.from, edge.to, edge.score)).collect();
    let document = serde_json::json!({"nodes": nodes + 1, "edges": list});
    std::fs::write(&path, document.to_string()).map_err(|error| error.to_string())?;
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/outside/time_arborescence.py");
    let output = std::process::Command::new(python).arg(script).arg(&path).output();
    let _ = std::fs::remove_file(&path);
    let output = output.map_err(|error| error.to_string())?;
    let text = String::from_utf8_lossy(&output.stdout);
    let numbers: Vec<f64> = text.split_whitespace().filter_map(|word| word.parse().ok()).collect();
    let [theirs, their_total] = numbers[..] else { return Err("it printed no numbers".into()) };
    if total != their_total {
        return Err(format!("our tree scores {total}, theirs {their_total}"));
    }
    println!(
        "   best tree of {nodes} nodes, {} edges: {:.2} ms, networkx {:.0} ms, same score",
        edges.len(),
        ours * 1e3,
        theirs * 1e3
    );
    Ok(())
}

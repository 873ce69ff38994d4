//! The command line.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};

/// Turns a clip of a planet into a picture, and says how.
#[derive(Debug, Parser)]
#[command(name = "stillair", version, about, max_term_width = 100, arg_required_else_help = true)]
pub struct Arguments {
    /// What to do.
    #[command(subcommand)]
    pub verb: Verb,
    /// Settings for every verb.
    #[command(flatten)]
    pub global: Global,
}

/// Settings for every verb.
#[derive(Debug, Clone, Args)]
pub struct Global {
    /// Folder in which run folders are made
    #[arg(long, global = true, value_name = "DIR", default_value = "runs")]
    pub out: PathBuf,
    /// Session file: what the observer knows of the clip (else NAME.session.toml beside it, or session.toml)
    #[arg(long, global = true, value_name = "FILE")]
    pub session: Option<PathBuf>,
    /// A fact that wins over the session file, such as telescope.aperture_mm=105
    #[arg(long = "fact", global = true, value_name = "SECTION.KEY=VALUE")]
    pub facts: Vec<String>,
    /// Changes a recipe's parameter (sharp.strength=0.5) or method (sharp.use=sharpen.wiener)
    #[arg(long = "set", global = true, value_name = "STEP.KEY=VALUE")]
    pub settings: Vec<String>,
    /// A folder of plugins (shared libraries); may be given several times
    #[arg(long, global = true, value_name = "DIR")]
    pub plugin_path: Vec<PathBuf>,
    /// Leaves out the plugins that are linked into the command: only those of plugin folders are used
    #[arg(long, global = true)]
    pub no_linked: bool,
    /// Worker threads [default: one per core]
    #[arg(long, global = true, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub jobs: Option<u16>,
    /// Memory that a run may take [default: 256 MB, more only where the clip's frames need it, at most half the machine's]
    #[arg(long, global = true, value_name = "SIZE", value_parser = bytes)]
    pub memory_budget: Option<u64>,
    /// Folder in which results are kept, to be taken again where nothing they depend on changed [default: stillair in the
    /// user's folder for caches]
    #[arg(long, global = true, value_name = "DIR", conflicts_with = "no_cache")]
    pub cache: Option<PathBuf>,
    /// Works everything out, and keeps nothing
    #[arg(long, global = true)]
    pub no_cache: bool,
    /// Reads captures and plugins anew, even those that look unchanged
    #[arg(long, global = true)]
    pub rehash: bool,
    /// Logs what happens inside: error, warn, info, debug, trace, or a filter
    #[arg(long, global = true, value_name = "LEVEL")]
    pub log: Option<String>,
    /// Writes JSON, a line for each event, for other programs
    #[arg(long, global = true)]
    pub json: bool,
}

/// The verbs.
#[derive(Debug, Subcommand)]
pub enum Verb {
    /// Turns clips into pictures by a recipe
    Run(Run),
    /// Tells all that is wrong with a recipe
    Check(Check),
    /// Shows a recipe's steps, pass by pass
    Graph(Graph),
    /// Lists the methods that recipes can use
    Methods(Methods),
    /// Explains a method or a recipe
    Explain(Explain),
    /// Lists the runs so far
    Runs(Runs),
    /// Says which one thing limited a run's picture, and what to change next time
    Diagnose(Diagnose),
    /// Shows how full the cache of results is, clears it, or caps it
    Cache(Cache),
    /// Runs a record again, and says file by file whether it came out the same
    Replay(Replay),
    /// Runs a recipe in several ways, or on several clips of one target, and ranks what comes out
    Compare(Compare),
    /// Makes the page of a run again
    Report(Report),
    /// Shows the runs as pages in a browser, for this machine alone unless asked otherwise
    Serve(Serve),
    /// Runs a recipe on every finished clip that appears in a folder
    Watch(Watch),
    /// Begins a session file for a clip, or checks one
    #[command(subcommand)]
    Session(Session),
    /// Makes a clip of an invented planet, and a picture from it
    Demo(Demo),
    /// Tells what can be seen from a site in the nights to come, and how well telescope and camera suit it
    Outlook(Box<crate::outlook::Ask>),
    /// Packs a run into one file for others: no paths, people or places unless asked (`--out FILE.zip` says where)
    Pack(Pack),
    /// Prints a JSON schema for editors, or the whole catalogue of methods
    Schema(Schema),
    /// Lists, checks, locks and begins plugins
    #[command(subcommand)]
    Plugin(Plugin),
}

/// `plugin`.
#[derive(Debug, Subcommand)]
pub enum Plugin {
    /// Lists the plugins, linked and in folders, with their methods
    List,
    /// Tries a library out: odd sizes, values that are no numbers, threads, a wish to stop
    Check {
        /// The shared library
        file: PathBuf,
    },
    /// Writes plugins.lock into every plugin folder: only these files, down to the byte, are loaded from then on
    Lock,
    /// Writes a new plugin crate, ready to be tested
    New {
        /// Name of the crate and its folder
        name: String,
        /// Where the crate stillair-api lies
        #[arg(long, value_name = "DIR")]
        api: Option<PathBuf>,
    },
    /// Looks into libraries; the command calls itself with this
    #[command(hide = true)]
    Look {
        /// Whether to find out if a library needs others
        #[arg(long)]
        alone: bool,
        /// The shared libraries
        files: Vec<PathBuf>,
    },
    /// Tries one library; the command calls itself with this
    #[command(hide = true)]
    Try {
        /// The shared library
        file: PathBuf,
    },
}

/// `session`.
#[derive(Debug, Subcommand)]
pub enum Session {
    /// Writes NAME.session.toml beside a clip, with comments from what the clip's header says
    New {
        /// The clip
        clip: PathBuf,
    },
    /// Tells all that is wrong with a session file
    Check {
        /// The session file, or a clip that has one
        file: PathBuf,
    },
}

/// `run`.
#[derive(Debug, Args)]
pub struct Run {
    /// A recipe file, the name of one that ships, or a pack
    pub recipe: String,
    /// Clips for the recipe's inputs; INPUT=FILE names the input
    #[arg(value_name = "CLIP")]
    pub clips: Vec<PathBuf>,
    /// Says of every step whether it ran, and why
    #[arg(long)]
    pub explain_cache: bool,
}

/// `cache`.
#[derive(Debug, Args)]
pub struct Cache {
    /// Throws away every result
    #[arg(long)]
    pub clear: bool,
    /// Sets how much it may hold, from now on; what was not used for longest goes first
    #[arg(long, value_name = "SIZE", value_parser = bytes)]
    pub cap: Option<u64>,
}

/// `check`.
#[derive(Debug, Args)]
pub struct Check {
    /// A recipe file, the name of one that ships, or a run's folder
    #[arg(value_name = "RECIPE|RUN")]
    pub recipe: String,
    /// Tries the checks that the recipe brings along, each on a simulated clip
    #[arg(long, conflicts_with = "memory")]
    pub run: bool,
    /// Prints how much memory a run takes at most, for a clip or for a size such as 640x480x3000
    #[arg(long, value_name = "CLIP", num_args = 0..=1, default_missing_value = "640x480x3000")]
    pub memory: Option<String>,
}

/// `graph`.
#[derive(Debug, Args)]
pub struct Graph {
    /// A recipe file, or the name of one that ships
    pub recipe: String,
    /// Writes DOT, for programs that draw graphs
    #[arg(long)]
    pub dot: bool,
}

/// `methods`.
#[derive(Debug, Args)]
pub struct Methods {
    /// Only this family, such as stack
    pub family: Option<String>,
}

/// `pack`.
#[derive(Debug, Args)]
pub struct Pack {
    /// A run folder, or its name
    pub run: PathBuf,
    /// Tells where the observer stood
    #[arg(long)]
    pub with_site: bool,
    /// Tells the texts that the capture's header and the session hold: observer, telescope, filter
    #[arg(long)]
    pub with_observer: bool,
    /// Tells the names of the capture's files, without their folders
    #[arg(long)]
    pub with_names: bool,
}

/// `schema`.
#[derive(Debug, Args)]
pub struct Schema {
    /// Of what
    #[arg(value_enum, default_value = "recipe")]
    pub what: SchemaOf,
}

/// What `schema` prints.
#[derive(Debug, Clone, Copy, clap::ValueEnum)]
pub enum SchemaOf {
    /// Schema of a recipe, for the methods at hand
    Recipe,
    /// Schema of a session file
    Session,
    /// Every method with its ports, parameters and sources, and the contracts they keep to
    Catalogue,
}

/// `explain`.
#[derive(Debug, Args)]
pub struct Explain {
    /// A method such as stack.mean, or a recipe
    pub name: String,
}

/// `runs`.
#[derive(Debug, Args)]
pub struct Runs {
    /// Shows what limited the pictures by date, altitude and exposure
    #[arg(long)]
    pub trend: bool,
}

/// `serve`.
#[derive(Debug, Args)]
pub struct Serve {
    /// Address and port; an address that other machines reach asks them for a token
    #[arg(long, value_name = "ADDRESS:PORT", default_value = "127.0.0.1:8123")]
    pub listen: std::net::SocketAddr,
}

/// `watch`.
#[derive(Debug, Args)]
pub struct Watch {
    /// The folder in which clips appear
    pub folder: PathBuf,
    /// A recipe file, or the name of one that ships
    #[arg(long, default_value = "planet-colour")]
    pub recipe: String,
    /// Goes through the folder once and ends
    #[arg(long)]
    pub once: bool,
    /// How long a clip must not have changed, in seconds, to count as finished
    #[arg(long, value_name = "SECONDS", default_value_t = 5.0)]
    pub settle_s: f64,
}

/// `diagnose`.
#[derive(Debug, Args)]
pub struct Diagnose {
    /// A run folder, or its name
    pub run: PathBuf,
}

/// `replay`.
#[derive(Debug, Args)]
pub struct Replay {
    /// A run folder, or its name
    pub run: PathBuf,
    /// The capture, if it lies elsewhere now, or another one; INPUT=FILE names the input
    #[arg(long, value_name = "CLIP")]
    pub with: Vec<PathBuf>,
}

/// `compare`.
#[derive(Debug, Args)]
pub struct Compare {
    /// A recipe file, or the name of one that ships
    pub recipe: String,
    /// Clips of one target, each run by itself; INPUT=FILE goes with every one of them
    #[arg(value_name = "CLIP", required = true)]
    pub clips: Vec<PathBuf>,
    /// A parameter (weights.power=1,2,4) or method (sharp.use=sharpen.wiener,sharpen.starlet) in several ways; given more
    /// than once, every way with every other
    #[arg(long, value_name = "STEP.KEY=A,B,C")]
    pub vary: Vec<String>,
    /// The measure that ranks
    #[arg(long, value_enum, default_value = "resolution")]
    pub rank: Rank,
}

/// What ranks the runs of a comparison.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Rank {
    /// Where the half-stacks stop agreeing: more is better. It is that of the stack, whatever is done to it after
    Resolution,
    /// Noise of the finest detail in the picture, the least first: prefers what sharpens less
    Noise,
    /// Bright rim that sharpening adds to the limb, the least first: prefers what sharpens less
    Overshoot,
}

/// `report`.
#[derive(Debug, Args)]
pub struct Report {
    /// A run folder, or its name
    pub run: PathBuf,
}

/// `demo`.
#[derive(Debug, Args)]
pub struct Demo {
    /// Recipe to run on the clip
    #[arg(long, default_value = "planet-colour")]
    pub recipe: String,
}

/// Reads `256 MB`, `300MiB`, `2G` or plain bytes.
fn bytes(text: &str) -> Result<u64, String> {
    let split = text.find(|c: char| !(c.is_ascii_digit() || c == '.')).unwrap_or(text.len());
    let (number, unit) = (&text[..split], text[split..].trim().to_ascii_lowercase());
    let factor: f64 = match unit.as_str() {
        "" | "b" => 1.0,
        "k" | "kb" => 1e3,
        "kib" => 1024.0,
        "m" | "mb" => 1e6,
        "mib" => 1_048_576.0,
        "g" | "gb" => 1e9,
        "gib" => 1_073_741_824.0,
        _ => return Err(format!("`{unit}` is no unit; write a size such as 256 MB or 1 GB")),
    };
    let number: f64 = number.parse().map_err(|_| "write a size such as 256 MB or 1 GB".to_string())?;
    let size = number * factor;
    if (1e6..=1e15).contains(&size) { Ok(size as u64) } else { Err("give at least 1 MB".into()) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_command_line_is_sound() {
        Arguments::command().debug_assert();
    }

    #[test]
    fn sizes_are_read() {
        assert_eq!(bytes("256 MB"), Ok(256_000_000));
        assert_eq!(bytes("1.5GiB"), Ok(1_610_612_736));
        assert_eq!(bytes("2g"), Ok(2_000_000_000));
        assert!(bytes("3 ells").is_err() && bytes("").is_err() && bytes("10").is_err());
    }
}

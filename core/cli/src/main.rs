//! The command `stillair`: arguments in, words and exit codes out.
//!
//! A module for each verb. Only this crate prints, and only [`say`] touches the streams: results go to standard
//! output, everything else to standard error.

mod arguments;
mod cache;
mod check;
mod compare;
mod demo;
mod diagnose;
mod expectations;
mod explain;
mod failure;
mod graph;
mod inputs;
#[cfg(test)]
mod keys;
mod memory;
mod methods;
mod outlook;
mod pack;
mod plugin;
mod plugins;
mod progress;
mod recipes;
mod replay;
mod report;
mod run;
mod runs;
mod say;
mod schema;
mod serve;
mod session;
mod settings;
mod signals;
mod trend;
mod watch;
mod whole;

use std::process::ExitCode;

use arguments::{Arguments, Verb};
use clap::Parser;

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let global = &arguments.global;
    say::start_log(global.log.as_deref());
    let done = match &arguments.verb {
        Verb::Run(verb) => run::run(verb, global),
        Verb::Check(verb) => check::check(verb, global),
        Verb::Graph(verb) => graph::graph(verb, global),
        Verb::Methods(verb) => methods::methods(verb, global),
        Verb::Explain(verb) => explain::explain(verb, global),
        Verb::Runs(verb) => runs::runs(verb, global),
        Verb::Diagnose(verb) => diagnose::diagnose(verb, global),
        Verb::Cache(verb) => cache::cache(verb, global),
        Verb::Replay(verb) => replay::replay(verb, global),
        Verb::Compare(verb) => compare::compare(verb, global),
        Verb::Report(verb) => report::report(verb, global),
        Verb::Serve(verb) => serve::serve(verb, global),
        Verb::Watch(verb) => watch::watch(verb, global),
        Verb::Session(verb) => session::session(verb, global),
        Verb::Demo(verb) => demo::demo(verb, global),
        Verb::Outlook(ask) => outlook::tell(ask, global),
        Verb::Pack(verb) => pack::pack(verb, global),
        Verb::Schema(verb) => schema::schema(verb, global),
        Verb::Plugin(verb) => plugin::plugin(verb, global),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            say::failure(&failure, global.json);
            failure.exit_code()
        }
    }
}

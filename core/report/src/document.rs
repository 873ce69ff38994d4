//! What every page is wrapped in.

use maud::{DOCTYPE, Markup, PreEscaped, html};

/// How every page looks.
const STYLE: &str = include_str!("page.css");

/// A whole page that needs nothing from elsewhere: title, style of its own beside the common one, contents, script.
pub(crate) fn document(title: &str, own_style: &str, body: &Markup, script: &str) -> String {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                link rel="icon" href="data:,";
                title { (title) }
                style { (PreEscaped(STYLE)) (PreEscaped(own_style)) }
            }
            body {
                main { (body) }
                @if !script.is_empty() { script { (PreEscaped(script)) } }
            }
        }
    }
    .into_string()
}

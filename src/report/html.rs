//! What every page of HTML begins and ends with.

use maud::DOCTYPE;
use maud::Markup;
use maud::PreEscaped;
use maud::html;

/// A whole page around `body`, in that style.
pub(super) fn page(title: &str, style: &str, body: &Markup) -> String {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width";
                title { (title) }
                style { (PreEscaped(style)) }
            }
            body { (body) }
        }
    }
    .into_string()
}

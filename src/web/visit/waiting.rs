//! What pages beside the card do for a phone: a report that waits there is sent, whichever page is opened.

use maud::{Markup, html};

use super::modules::address;

/// The place where it says so, and the script. `beside` leads from the page to the folder of cards.
pub(in super::super) fn waiting(beside: &str) -> Markup {
    html! {
        div id="waiting" role="status" hidden {}
        script type="module" src={ (beside) (address("waiting.js")) } {}
    }
}

//! What each part buys.
use crate::Chapter;
pub fn chapter() -> Chapter {
    Chapter {
        name: "ablation",
        title: "What each part buys",
        text: "",
        tables: Vec::new(),
    }
}

//! Double stops and licks as a phone records them.

use crate::Plan;
use crate::grid;
use crate::grid::Grid;
use crate::spoiled;
use crate::support::corpus::sampled_sets;
use crate::support::spoil;

pub fn measure(plan: &Plan) {
    println!("({} cases a cell)", plan.n);
    let grid = |title: &str, seed| Grid {
        title: title.to_owned(),
        recipe: grid::plain(plan.length_s),
        spoil: spoil::phone,
        target: 98.0,
        seed,
    };
    grid::measure(plan, &plan.synthetic, &grid("synthetic, through a phone", 2040));
    if plan.real.is_empty() {
        println!("real notes: skipped, ../shared/data is not there");
    } else {
        grid::measure(plan, &plan.real, &grid("real notes, through a phone", 2041));
    }
    match sampled_sets() {
        sets if sets.is_empty() => {
            println!("sampled notes: skipped, fluid-soundfont-gm is not installed")
        }
        sets => grid::measure(plan, &sets, &grid("sampled notes, through a phone", 2042)),
    }
    spoiled::in_licks(plan, "through a phone", spoil::phone);
}

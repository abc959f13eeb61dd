//! How often the truth lies inside the stated 95 % intervals, how wide they are against the bound, and how near the fit
//! comes to the bound.
//!
//! `cargo bench --bench coverage [-- FLIGHTS]` simulates that many (400) varied flights: the errors of everything a user
//! states are drawn from the distributions that were stated, and what is stated goes through the real fit and budget.

use lobline::fit::trial::{Coverage, Efficiency, GivenCoverage, cover_flights, gravity_efficiency};

fn main() {
    let flights = std::env::args().skip(1).find_map(|a| a.parse().ok()).unwrap_or(400);
    let Coverage { flights, inside, relative_width, width_over_bound, given, failed } = cover_flights(flights, 2024);
    println!("{flights} flights, {failed} not fitted");
    println!("{:<10} {:>10} {:>22} {:>16}", "", "inside", "median U95, relative", "over the bound");
    for (k, name) in ["speed", "angle", "gravity"].into_iter().enumerate() {
        println!(
            "{name:<10} {:>8.1} % {:>20.2} % {:>16.2}",
            inside[k] * 100.0,
            relative_width[k] * 100.0,
            width_over_bound[k]
        );
    }
    let GivenCoverage { inside, relative_width, over_free, failed } = given;
    println!();
    println!("gravity given, {:.1} % not fitted", 100.0 * failed);
    println!("{:<10} {:>10} {:>22} {:>16}", "", "inside", "median U95, relative", "over g free");
    for (k, name) in ["speed", "angle"].into_iter().enumerate() {
        println!(
            "{name:<10} {:>8.1} % {:>20.2} % {:>16.2}",
            inside[k] * 100.0,
            relative_width[k] * 100.0,
            over_free[k]
        );
    }
    println!();
    println!("efficiency for g of 16 sightings against the bound, 2000 flights each");
    for share in [0.0, 0.1, 0.2] {
        let Efficiency { reached, told } = gravity_efficiency(2000, share, 7);
        println!("{:>4.0} % false   {reached:.3}   (told which are false: {told:.3})", share * 100.0);
    }
}

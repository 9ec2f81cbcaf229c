// Brings a chip up with the generated driver, as header/bring_up.c does in C: the same words on the same streams.
#[path = "gd.rs"]
mod gd;
mod streams;

use std::io::{Read, Write};
use streams::Streams;

fn run(driver: &mut gd::Driver<Streams>, what: &str, steps: &'static [gd::Step]) {
    let outcome = driver.run(steps);
    if outcome != gd::Outcome::Ok {
        eprintln!("{}: step {}: result {}", what, driver.step, outcome as u8);
        std::process::exit(1);
    }
    eprintln!("{}: {} steps", what, steps.len());
}

fn main() {
    let mut spi = Streams;
    let mut driver = gd::Driver::new(&mut spi);
    run(&mut driver, "configured", &gd::INIT_STEPS);
    run(&mut driver, "verified", &gd::READBACK_STEPS);
    let mut to = std::io::stdout();
    to.write_all(b"M").unwrap();
    to.flush().unwrap();
    let mut answer = [0];
    std::io::stdin().read_exact(&mut answer).unwrap();
    let mut words = [0; gd::STATUS_COUNT];
    if driver.read_status(&mut words) != gd::Outcome::Ok {
        std::process::exit(1);
    }
    let found = gd::explain(&words);
    for &index in found.fault[..found.count].iter() {
        let fault = &gd::FAULTS[index as usize];
        eprintln!("fault {}: {}", fault.name, fault.title);
    }
    // the watch finds nothing, and a driver made anew gets back in step with the chip
    let mut task = gd::Task::new(&gd::READBACK_STEPS);
    for _ in 0..100 {
        if driver.watch(&mut task) != gd::Outcome::Busy {
            std::process::exit(2);
        }
    }
    let mut anew = gd::Driver::new(&mut spi);
    if anew.resync() != gd::Outcome::Ok || anew.run(&gd::WARM_STEPS) != gd::Outcome::Ok {
        std::process::exit(3);
    }
}

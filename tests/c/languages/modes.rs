// Goes through modes of the drive and watches each, as header/modes.c does in C: the same words on the same streams.
#[path = "gd.rs"]
mod gd;
mod streams;

use std::io::{Read, Write};
use streams::Streams;

const WAYS_GONE: &[u8] = &[WAYS];

fn main() {
    let mut spi = Streams;
    let mut driver = gd::Driver::new(&mut spi);
    if driver.run(&gd::INIT_STEPS) != gd::Outcome::Ok {
        std::process::exit(1);
    }
    for (i, way) in WAYS_GONE.chunks(2).enumerate() {
        let mut outcome = driver.enter(way[0], way[1]);
        eprintln!("way {}: {} step {}", i, outcome as u8, driver.step);
        let mut to = std::io::stdout();
        to.write_all(&[b'M', i as u8]).unwrap();
        to.flush().unwrap();
        let mut answer = [0];
        std::io::stdin().read_exact(&mut answer).unwrap();
        if outcome != gd::Outcome::Ok {
            continue;
        }
        let mut task = gd::Task::new(&gd::INIT_STEPS);
        outcome = gd::watch_mode_begin(&mut task, way[1]);
        for _ in 0..200 {
            if outcome == gd::Outcome::Ok || outcome == gd::Outcome::Busy {
                outcome = driver.watch(&mut task);
            }
        }
        eprintln!("watch {}: {}", i, outcome as u8);
    }
    eprintln!("nowhere: {}", (driver.enter(200, 0) == gd::Outcome::NoWay) as u8);
}

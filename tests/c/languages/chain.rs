// Brings a daisy chain up with the generated tables, as header/chain.c does in C: the same words, the same answers.
#[path = "gd.rs"]
mod gd;
#[cfg(tables)]
mod streams;

use std::io::BufRead;

fn ask() {
    for line in std::io::stdin().lock().lines() {
        let line = line.unwrap();
        let numbers: Vec<u64> = line[1..].split_whitespace().map(|t| u64::from_str_radix(t, 16).unwrap()).collect();
        let mut frames = [0; gd::CHAIN_CHIPS];
        if line.starts_with('P') {
            for (frame, &number) in frames.iter_mut().zip(&numbers[1..]) {
                *frame = number as gd::Frame;
            }
            for byte in gd::chain_pack(&frames, numbers[0] as u8) {
                print!("{:02x}", byte);
            }
        } else {
            let mut data = [0; gd::CHAIN_BYTES];
            for (byte, &number) in data.iter_mut().zip(&numbers) {
                *byte = number as u8;
            }
            print!("{}", gd::chain_unpack(&data, &mut frames) as u8);
            for frame in frames {
                print!(" {:x}", frame);
            }
        }
        println!();
    }
}

#[cfg(tables)]
mod up {
    use super::gd;
    use super::streams::Streams;
    use std::io::{Read, Write};

    fn run(chain: &mut gd::Chain<Streams>, what: &str, parts: &[&'static [gd::Step]; gd::CHAIN_CHIPS]) -> bool {
        let outcome = chain.run(parts);
        if outcome != gd::Outcome::Ok {
            let chip = &chain.chip[chain.position];
            let (at, step, number) = (chain.position, chip.step, outcome as u8);
            eprintln!("{}: position {}, step {}: result {}, differ {:x}", what, at, step, number, chip.differ);
        } else {
            eprintln!("{}", what);
        }
        outcome == gd::Outcome::Ok
    }

    // After a stop: wherever the chips stand now, they are brought up again.
    fn restart(chain: &mut gd::Chain<Streams>) -> bool {
        let mut outcome = gd::Outcome::Busy;
        for _ in 0..3 {
            if outcome != gd::Outcome::Ok {
                outcome = chain.restart();
            }
        }
        eprintln!("restart: {}", outcome as u8);
        outcome == gd::Outcome::Ok && run(chain, "verified again", &gd::CHAIN_READBACK_STEPS)
    }

    pub fn bring_up() -> i32 {
        let mut lines = Streams;
        let mut chain = gd::Chain::new(&mut lines);
        if (!run(&mut chain, "configured", &gd::CHAIN_INIT_STEPS) && !restart(&mut chain))
            || (!run(&mut chain, "verified", &gd::CHAIN_READBACK_STEPS) && !restart(&mut chain))
        {
            return 1;
        }
        let mut to = std::io::stdout();
        to.write_all(b"M").unwrap();
        to.flush().unwrap();
        std::io::stdin().read_exact(&mut [0]).unwrap();
        #[cfg(not(no_status))]
        {
            let mut words = [[0; gd::STATUS_COUNT]; gd::CHAIN_CHIPS];
            let outcome = chain.read_status(&mut words);
            if !matches!(outcome, gd::Outcome::Ok | gd::Outcome::Reset) {
                eprintln!("status: result {} at {}", outcome as u8, chain.position);
                return 1;
            }
            for (k, words) in words.iter().enumerate() {
                let found = gd::explain(words);
                for &index in found.fault[..found.count].iter() {
                    eprintln!("position {}: {}", k, gd::FAULTS[index as usize].name);
                }
            }
        }
        chain.begin(&gd::CHAIN_READBACK_STEPS);
        for i in 0..100 {
            let outcome = chain.watch();
            if outcome != gd::Outcome::Busy {
                eprintln!("watch: result {} at {} after {}", outcome as u8, chain.position, i);
                return if restart(&mut chain) { 0 } else { 1 };
            }
        }
        0
    }
}
#[cfg(not(tables))]
mod up {
    pub fn bring_up() -> i32 {
        1
    }
}

fn main() {
    if std::env::args().count() > 1 {
        ask();
    } else {
        std::process::exit(up::bring_up());
    }
}

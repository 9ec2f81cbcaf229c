// What a daisy chain is asked, at once or a call a tick, as header/chain_jobs.c is in C: the same letters, the same answers.
#[path = "gd.rs"]
mod gd;
mod streams;

use std::cell::Cell;
use std::io::{Read, Write};

thread_local! {
    static SENT: Cell<u32> = const { Cell::new(0) };
    static WAITS: Cell<u32> = const { Cell::new(0) };
}

struct Counting;

impl gd::Spi for Counting {
    fn transfer(&mut self, out: &[u8], data: &mut [u8]) -> bool {
        SENT.with(|n| n.set(n.get() + 1));
        streams::Streams.transfer(out, data)
    }
    fn wait_us(&mut self, us: u32) {
        WAITS.with(|n| n.set(n.get() + 1));
        streams::Streams.wait_us(us)
    }
}

fn main() {
    use gd::{Outcome, Spi};
    let mut lines = Counting;
    let mut chain = gd::Chain::new(&mut lines);
    let mut asked = [0];
    while std::io::stdin().read_exact(&mut asked).is_ok() {
        let (mut most, mut inside) = (0, 0);
        let mut words = [[0; gd::STATUS_COUNT]; gd::CHAIN_CHIPS];
        let outcome = match asked[0] {
            b'i' => {
                chain.forget();
                chain.run(&gd::CHAIN_INIT_STEPS)
            }
            b'y' => chain.resync(),
            b'r' => chain.read_status(&mut words),
            b'a' => chain.restart(),
            b'w' => {
                chain.forget();
                match chain.resync() {
                    Outcome::Ok => chain.run(&gd::CHAIN_WARM_STEPS),
                    other => other,
                }
            }
            b'v' => chain.run(&gd::CHAIN_READBACK_STEPS),
            #[cfg(clears)]
            b'c' => chain.clear_rejected(),
            #[cfg(not(clears))]
            b'c' => Outcome::Ok,
            letter => {
                let mut reading = gd::ChainReadStatus::new();
                let mut restarting = gd::ChainRestart::new();
                if letter == b't' {
                    chain.read_status_begin(&mut reading);
                } else {
                    chain.restart_begin(&mut restarting);
                }
                loop {
                    SENT.with(|n| n.set(0));
                    WAITS.with(|n| n.set(0));
                    let outcome = if letter == b't' {
                        chain.read_status_tick(&mut reading, &mut words)
                    } else {
                        chain.restart_tick(&mut restarting)
                    };
                    most = most.max(SENT.with(|n| n.get()));
                    inside += WAITS.with(|n| n.get());
                    if outcome == Outcome::Wait {
                        streams::Streams.wait_us(chain.wait_us);
                    } else if outcome != Outcome::Busy {
                        break outcome;
                    }
                }
            }
        };
        print!("M{} {} {} {}", outcome as u8, chain.position, most, inside);
        for word in words.iter().flatten() {
            print!(" {:x}", word);
        }
        println!();
        std::io::stdout().flush().unwrap();
    }
}

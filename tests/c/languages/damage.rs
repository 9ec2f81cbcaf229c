// The generated driver as a library that a test can call, as header/damage.c is in C: the same names, the same numbers.
#[path = "gd.rs"]
mod gd;

use std::ptr::{addr_of_mut, read};

type Transfer = extern "C" fn(*const u8, *const u8, *mut u8, u8) -> bool;
type WaitUs = extern "C" fn(*const u8, u32);

struct Wire {
    transfer: Transfer,
    wait_us: WaitUs,
}

impl gd::Spi for Wire {
    fn transfer(&mut self, out: &[u8], data: &mut [u8]) -> bool {
        (self.transfer)(std::ptr::null(), out.as_ptr(), data.as_mut_ptr(), out.len() as u8)
    }
    fn wait_us(&mut self, us: u32) {
        (self.wait_us)(std::ptr::null(), us)
    }
}

type Driver = gd::Driver<'static, Wire>;
static mut SPI: Option<Driver> = None;
static mut KEPT: Option<Driver> = None;
static mut WATCHING: Option<gd::Task> = None;
static mut READING: gd::ReadStatus = gd::ReadStatus::new();
static mut WORDS: [gd::Word; gd::STATUS_COUNT] = [0; gd::STATUS_COUNT];
static mut SYNCING: gd::Resync = gd::Resync::new();
static mut ENTERING: Option<gd::Task> = None;
#[cfg(monitors)]
static mut TESTING: gd::TestMonitors = gd::TestMonitors::new();
static mut RESTARTING: gd::Restart = gd::Restart::new();

// one thread calls all of this
fn spi() -> &'static mut Driver {
    unsafe { (*addr_of_mut!(SPI)).as_mut().unwrap() }
}
fn watching() -> &'static mut gd::Task {
    unsafe { (*addr_of_mut!(WATCHING)).as_mut().unwrap() }
}
fn stopped(outcome: gd::Outcome, failed: &mut u16) {
    if outcome != gd::Outcome::Ok {
        *failed = spi().step as u16;
    }
}
fn run(steps: &'static [gd::Step], failed: &mut u16) -> u32 {
    let outcome = spi().run(steps);
    stopped(outcome, failed);
    outcome as u32
}

#[no_mangle]
pub extern "C" fn d_begin(transfer: Transfer, wait_us: WaitUs) {
    let wire = Box::leak(Box::new(Wire { transfer, wait_us }));
    unsafe { *addr_of_mut!(SPI) = Some(gd::Driver::new(wire)) }
}
#[no_mangle]
pub extern "C" fn d_keep() {
    unsafe { *addr_of_mut!(KEPT) = read(addr_of_mut!(SPI)) }
}
#[no_mangle]
pub extern "C" fn d_back() {
    unsafe { *addr_of_mut!(SPI) = read(addr_of_mut!(KEPT)) }
}
#[no_mangle]
pub extern "C" fn d_init(failed: &mut u16) -> u32 {
    run(&gd::INIT_STEPS, failed)
}
#[no_mangle]
pub extern "C" fn d_verify(failed: &mut u16) -> u32 {
    run(&gd::READBACK_STEPS, failed) // the lock's rows too
}
#[no_mangle]
pub extern "C" fn d_resync(failed: &mut u16) -> u32 {
    *failed = 0xFFFF;
    spi().resync() as u32
}
#[cfg(modes)]
#[no_mangle]
pub extern "C" fn d_enter(from: u32, to: u32, failed: &mut u16) -> u32 {
    let outcome = spi().enter(from as u8, to as u8);
    stopped(outcome, failed);
    outcome as u32
}
#[cfg(not(modes))]
#[no_mangle]
pub extern "C" fn d_enter(_from: u32, _to: u32, failed: &mut u16) -> u32 {
    *failed = 0;
    0xFFFF
}
#[no_mangle]
pub extern "C" fn d_warm(failed: &mut u16) -> u32 {
    let outcome = spi().resync();
    *failed = 0xFFFF;
    if outcome == gd::Outcome::Ok {
        run(&gd::WARM_STEPS, failed)
    } else {
        outcome as u32
    }
}
#[no_mangle]
pub extern "C" fn d_restart(failed: &mut u16) -> u32 {
    let outcome = spi().restart();
    stopped(outcome, failed);
    outcome as u32
}
#[no_mangle]
pub extern "C" fn d_restart_begin() {
    spi().restart_begin(unsafe { &mut *addr_of_mut!(RESTARTING) })
}
#[no_mangle]
pub extern "C" fn d_restart_tick(us: &mut u32) -> u32 {
    let job = unsafe { &mut *addr_of_mut!(RESTARTING) };
    let outcome = spi().restart_tick(job);
    *us = if outcome == gd::Outcome::Wait { job.task.wait_us } else { 0 };
    outcome as u32
}
#[cfg(clears)]
#[no_mangle]
pub extern "C" fn d_clear_rejected(failed: &mut u16) -> u32 {
    let outcome = spi().clear_rejected();
    stopped(outcome, failed);
    outcome as u32
}
#[cfg(not(clears))]
#[no_mangle]
pub extern "C" fn d_clear_rejected(failed: &mut u16) -> u32 {
    *failed = 0;
    0xFFFF
}
#[no_mangle]
pub extern "C" fn d_clear_faults(failed: &mut u16) -> u32 {
    run(&gd::CLEAR_FAULTS_STEPS, failed)
}
#[no_mangle]
pub unsafe extern "C" fn d_status(words: *mut u64) -> u32 {
    let mut read = [0; gd::STATUS_COUNT];
    let outcome = spi().read_status(&mut read);
    for (i, &word) in read.iter().enumerate() {
        *words.add(i) = word as u64;
    }
    outcome as u32
}
#[no_mangle]
pub extern "C" fn d_status_begin() {
    unsafe { *addr_of_mut!(WORDS) = [0; gd::STATUS_COUNT] }
    spi().read_status_begin(unsafe { &mut *addr_of_mut!(READING) })
}
#[no_mangle]
pub unsafe extern "C" fn d_status_tick(words: *mut u64) -> u32 {
    let read = &mut *addr_of_mut!(WORDS);
    let outcome = spi().read_status_tick(&mut *addr_of_mut!(READING), read);
    for (i, &word) in read.iter().enumerate() {
        *words.add(i) = word as u64;
    }
    outcome as u32
}
#[no_mangle]
pub unsafe extern "C" fn d_found(found: *mut u64) {
    let driver = spi();
    let all = [driver.step as u64, driver.errors as u64, driver.got as u64, driver.differ as u64];
    for (i, &one) in all.iter().enumerate() {
        *found.add(i) = one;
    }
}
#[no_mangle]
pub extern "C" fn d_watch(ticks: u32) -> u32 {
    let mut task = gd::Task::new(&gd::READBACK_STEPS);
    let mut outcome = gd::Outcome::Busy;
    for _ in 0..ticks {
        if outcome == gd::Outcome::Busy || outcome == gd::Outcome::Wait {
            outcome = spi().watch(&mut task);
        }
    }
    outcome as u32
}
#[no_mangle]
pub extern "C" fn d_shared(ticks: u32) -> u32 {
    let mut task = gd::Task::new(&gd::READBACK_STEPS);
    let mut outcome = gd::Outcome::Busy;
    for i in 0..ticks {
        if outcome != gd::Outcome::Busy {
            break;
        }
        outcome = spi().watch(&mut task);
        if i % 4 == 3 && outcome == gd::Outcome::Busy {
            outcome = spi().exchange(task.step.format, task.step.frame);
            if outcome == gd::Outcome::Ok {
                outcome = gd::Outcome::Busy;
            }
        }
    }
    outcome as u32
}
#[no_mangle]
pub extern "C" fn d_monitors(failed: &mut u32) -> u32 {
    *failed = 0;
    #[cfg(monitors)]
    {
        let mut bits = 0;
        let outcome = spi().test_monitors(&mut bits);
        *failed = bits as u32;
        return outcome as u32;
    }
    #[cfg(not(monitors))]
    0xFFFF
}
#[no_mangle]
pub extern "C" fn d_ticks() -> u32 {
    gd::WATCH_TICKS as u32
}
#[no_mangle]
pub extern "C" fn d_watch_begin() {
    unsafe { *addr_of_mut!(WATCHING) = Some(gd::Task::new(&gd::READBACK_STEPS)) }
}
#[no_mangle]
pub extern "C" fn d_watch_once() -> u32 {
    spi().watch(watching()) as u32
}
#[no_mangle]
pub extern "C" fn d_in_lock() -> u32 {
    0 // one table of it
}
#[no_mangle]
pub extern "C" fn d_job_begin(kind: u32, from: u32, to: u32) -> u32 {
    let _ = (from, to);
    match kind {
        0 => spi().resync_begin(unsafe { &mut *addr_of_mut!(SYNCING) }),
        #[cfg(clears)]
        1 => spi().clear_rejected_begin(unsafe { &mut *addr_of_mut!(SYNCING) }),
        #[cfg(monitors)]
        2 => unsafe { *addr_of_mut!(TESTING) = gd::TestMonitors::new() },
        #[cfg(modes)]
        3 => {
            let mut task = gd::Task::new(&[]);
            let outcome = gd::enter_begin(&mut task, from as u8, to as u8);
            unsafe { *addr_of_mut!(ENTERING) = Some(task) }
            return outcome as u32;
        }
        _ => return 0xFFFF,
    }
    0
}
#[no_mangle]
pub extern "C" fn d_job_tick(kind: u32, us: &mut u32, failed: &mut u32) -> u32 {
    *failed = 0;
    let (outcome, wait) = match kind {
        0 | 1 => {
            let job = unsafe { &mut *addr_of_mut!(SYNCING) };
            (spi().resync_tick(job), job.task.wait_us)
        }
        #[cfg(monitors)]
        2 => {
            let job = unsafe { &mut *addr_of_mut!(TESTING) };
            let outcome = spi().test_monitors_tick(job);
            *failed = job.failed as u32;
            (outcome, job.task.wait_us)
        }
        _ => {
            let task = unsafe { (*addr_of_mut!(ENTERING)).as_mut().unwrap() };
            (spi().tick(task), task.wait_us)
        }
    };
    *us = if outcome == gd::Outcome::Wait { wait } else { 0 };
    outcome as u32
}

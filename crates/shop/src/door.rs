//! The one door: an action in, an answer and what changed out. Faces hold a [`Door`] and nothing else.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use crate::action::{Action, Answer, PersonEnter};
use crate::answer::Changed;
use crate::error::{Error, Sort};
use crate::host::{Host, Ids, Machine};
use crate::limits;
use crate::network::{self, Claim, Desk};
use crate::roles::Worker;
use crate::shop::Shop;
use crate::spool::Spool;
use crate::{
    books, catalogue, conflicts, count, cut, demo, drawing, exchange, find, given, history, hold, hub, label, layout,
    lot, material, now, on_order, order, people, piece, place, plan, pull, quote, rack, receive, report, say, scan,
    settle, setup, stock, ticket, undo, worth,
};

/// Where a request through the door comes from.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Face {
    /// The program's own window, which may name files of this machine.
    Window,
    /// A browser on this machine.
    Here,
    /// A phone or tablet that was paired, with what it may do.
    Screen(Worker),
}

/// Who does something.
#[derive(Clone, Copy)]
enum Who {
    /// Whoever has the shop file.
    Owner,
    /// Whoever said at this program's screen who they are.
    AtScreen,
    /// Somebody whose role is known already.
    Known(Worker),
}

/// Who is at this program's screen, and how many wrong PINs were typed since one was right.
#[derive(Default)]
struct AtScreen {
    person: Option<uuid::Uuid>,
    wrong: u32,
    wrong_ms: u64,
}

/// How long a screen waits for news at a time.
const NEWS: Duration = Duration::from_secs(20);

/// What came of an action.
#[derive(Clone, Debug, Serialize)]
pub struct Reply {
    /// The answer.
    pub answer: Answer,
    /// The things that changed; screens that show them read again.
    pub changed: Vec<Changed>,
}

/// Progress and cancelling of one action in work.
#[derive(Default, Debug)]
pub struct Job {
    cancelled: AtomicBool,
    done: AtomicUsize,
    of: AtomicUsize,
    text: Mutex<String>,
}

impl Job {
    /// Asks the work to end soon; what it has so far is its answer.
    pub fn cancel(&self) {
        self.cancelled.store(true, Ordering::Relaxed);
    }

    /// Whether it was asked to end.
    pub fn is_cancelled(&self) -> bool {
        self.cancelled.load(Ordering::Relaxed)
    }

    /// How far it is: done, of.
    pub fn progress(&self) -> (usize, usize) {
        (self.done.load(Ordering::Relaxed), self.of.load(Ordering::Relaxed))
    }

    /// What it has so far, in words; empty where it says nothing.
    pub fn text(&self) -> String {
        lock(&self.text).clone()
    }

    /// Says in words what it has so far.
    pub fn say(&self, said: say::Say) {
        *lock(&self.text) = said.text();
    }

    /// Says how far it is.
    pub fn report(&self, done: usize, of: usize) {
        self.done.store(done, Ordering::Relaxed);
        self.of.store(of, Ordering::Relaxed);
    }
}

/// What a screen asks through the door, as JSON.
#[derive(Debug, Deserialize)]
#[serde(tag = "ask", rename_all = "lowercase")]
enum Ask {
    Hello,
    /// Waits for other events in the shop file than at number `since`.
    News {
        since: u64,
    },
    Act {
        #[serde(default)]
        id: String,
        action: Box<Action>,
    },
    Progress {
        id: String,
    },
    Cancel {
        id: String,
    },
}

/// The door to one shop file.
pub struct Door {
    path: PathBuf,
    shop: Mutex<Option<Shop>>,
    host: Mutex<Box<dyn Host>>,
    jobs: Mutex<HashMap<String, Arc<Job>>>,
    /// What this program knows of the shop's network.
    pub(crate) desk: Desk,
    at_screen: Mutex<AtScreen>,
}

/// A lock that outlives a panic elsewhere: the data behind these is whole between any two statements.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The machine, asked anew each time that something of it is needed: whoever waits for the network keeps nobody from it.
pub(crate) struct InTurn<'a>(&'a Mutex<Box<dyn Host>>);

impl Ids for InTurn<'_> {
    fn uuid(&mut self) -> uuid::Uuid {
        lock(self.0).uuid()
    }

    fn wall_ms(&mut self) -> u64 {
        lock(self.0).wall_ms()
    }
}

impl Host for InTurn<'_> {
    fn secret(&mut self) -> [u8; 32] {
        lock(self.0).secret()
    }

    fn elapsed_ms(&self) -> f64 {
        lock(self.0).elapsed_ms()
    }

    fn spool(&self) -> Arc<dyn Spool> {
        lock(self.0).spool()
    }
}

impl Door {
    /// The door to the shop file at `path`, on the real machine. The file need not exist yet.
    pub fn new(path: impl Into<PathBuf>) -> Self {
        Self::with_host(path, Box::new(Machine::default()))
    }

    /// The door with another clock and other ids.
    pub fn with_host(path: impl Into<PathBuf>, host: Box<dyn Host>) -> Self {
        Self {
            path: path.into(),
            shop: Mutex::new(None),
            host: Mutex::new(host),
            jobs: Mutex::new(HashMap::new()),
            desk: Desk::default(),
            at_screen: Mutex::default(),
        }
    }

    /// Says that the program is about to end: whoever waits for news is sent home.
    pub fn end(&self) {
        self.desk.end();
    }

    /// Says that something changed that screens show and no event tells.
    pub fn changed(&self) {
        self.desk.changed();
    }

    /// Waits until the shop file holds other events than at number `since`, `within` at most; the number now.
    pub fn news(&self, since: u64, within: Duration) -> u64 {
        self.desk.news(&self.path, since, within)
    }

    /// The machine, for work that nothing else should wait for.
    pub(crate) fn machine(&self) -> InTurn<'_> {
        InTurn(&self.host)
    }

    /// Where the shop file lies.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Whether there is a shop file.
    pub fn exists(&self) -> bool {
        self.path.is_file()
    }

    /// Does one action. `job` carries progress out and cancelling in. Where it uses pieces and other devices can be
    /// reached, these are asked first.
    pub fn act(&self, action: &Action, job: &Job) -> Result<Reply, Error> {
        self.act_as(Who::Owner, action, job)
    }

    fn act_as(&self, who: Who, action: &Action, job: &Job) -> Result<Reply, Error> {
        // What others are asked for first, and what replaces the whole file, is judged before that; all else where it
        // is done.
        if self.exists() && (Claim::is_asked_for(action) || matches!(action, Action::Restore(_))) {
            self.worker(&self.open()?, who)?.may(action)?;
        }
        let claim = Claim::before(self, action)?;
        let done = self.act_here(who, action, job);
        if let Some(claim) = claim {
            claim.after(self, done.is_ok());
        }
        if done.as_ref().is_ok_and(|reply| !reply.changed.is_empty()) {
            self.desk.tell();
        }
        done
    }

    fn worker(&self, shop: &Shop, who: Who) -> Result<Worker, Error> {
        match who {
            Who::Owner => Ok(Worker::OWNER),
            Who::AtScreen => people::at_screen(shop, lock(&self.at_screen).person),
            Who::Known(worker) => Ok(worker),
        }
    }

    /// Somebody says who they are; after too many wrong PINs in a row nobody can for a while.
    fn enter(&self, shop: &mut Shop, with: &PersonEnter, now_ms: u64) -> Result<(), Error> {
        let mut at = lock(&self.at_screen);
        if at.wrong >= limits::PIN_ATTEMPTS && now_ms < at.wrong_ms.saturating_add(limits::PIN_PAUSE_MS) {
            return Err(Error::refused(say!("refused-pin-pause")).at("pin"));
        }
        match people::enter(shop, with) {
            Ok(worker) => {
                *at = AtScreen { person: worker.person, ..AtScreen::default() };
                shop.worker = worker;
                Ok(())
            }
            Err(e) => {
                if e.sort == Sort::Refused {
                    at.wrong += 1;
                    at.wrong_ms = now_ms;
                }
                Err(e)
            }
        }
    }

    fn act_here(&self, who: Who, action: &Action, job: &Job) -> Result<Reply, Error> {
        match action {
            // Asks the system, not the shop.
            Action::PrinterSystem(_) => {
                let spool = lock(&self.host).spool();
                let answer = Answer::PrinterSystem(label::printer_system(&*spool)?);
                Ok(Reply { answer, changed: Vec::new() })
            }
            Action::Init(with) => {
                let mut open = lock(&self.shop);
                let shop = setup::init(&self.path, &mut **lock(&self.host), with)?;
                let answer = Answer::Init(setup::show(&shop)?);
                *open = Some(shop);
                Ok(Reply { answer, changed: Vec::new() })
            }
            Action::Restore(with) => {
                let mut open = lock(&self.shop);
                *open = None;
                self.desk.let_go();
                let answer = Answer::Restore(books::restore(&self.path, &with.file)?);
                *open = Some(self.open()?);
                Ok(Reply { answer, changed: Vec::new() })
            }
            Action::SyncFolder(with) if !self.exists() => {
                let mut open = lock(&self.shop);
                let (shop, answer) = exchange::join(&self.path, &mut **lock(&self.host), &with.dir)?;
                *open = Some(shop);
                Ok(Reply { answer: Answer::SyncFolder(answer), changed: Vec::new() })
            }
            Action::SyncHub(with) if !self.exists() => {
                let mut open = lock(&self.shop);
                let (shop, answer) = hub::join(&self.path, &mut **lock(&self.host), &with.url)?;
                *open = Some(shop);
                Ok(Reply { answer: Answer::SyncHub(answer), changed: Vec::new() })
            }
            Action::SyncPair(with) if !self.exists() => {
                let mut open = lock(&self.shop);
                let (shop, answer) = network::join(&self.path, &mut **lock(&self.host), with)?;
                *open = Some(shop);
                Ok(Reply { answer: Answer::SyncPair(answer), changed: Vec::new() })
            }
            Action::SyncNearby(_) if !self.exists() => {
                Ok(Reply { answer: Answer::SyncNearby(network::nearby(None)?), changed: Vec::new() })
            }
            // Long work has a connection of its own, so that nothing waits for it.
            Action::Find(_)
            | Action::Plan(_)
            | Action::PlanChange(_)
            | Action::PlanTry(_)
            | Action::Check(_)
            | Action::ScanPhoto(_)
            | Action::Label(_)
            | Action::SyncNow(_)
            | Action::SyncFolder(_)
            | Action::SyncHub(_)
            | Action::SyncPair(_)
            | Action::SyncNearby(_)
            | Action::Drawing(_) => {
                let mut shop = self.open()?;
                self.with(&mut shop, who, action, job)
            }
            _ => {
                let mut open = lock(&self.shop);
                if open.is_none() || !self.exists() {
                    *open = None;
                    *open = Some(self.open()?);
                }
                match open.as_mut() {
                    Some(shop) => self.with(shop, who, action, job),
                    None => Err(self.no_shop()),
                }
            }
        }
    }

    /// Opens the shop file once more, for work that nothing else should wait for.
    pub(crate) fn open(&self) -> Result<Shop, Error> {
        if !self.exists() {
            return Err(self.no_shop());
        }
        Shop::open(&self.path, &mut **lock(&self.host))
    }

    fn no_shop(&self) -> Error {
        Error::bad(say!("error-no-shop", file = self.path.display().to_string()))
    }

    fn with(&self, shop: &mut Shop, who: Who, action: &Action, job: &Job) -> Result<Reply, Error> {
        shop.worker = self.worker(shop, who)?;
        shop.worker.may(action)?;
        let read = |answer: Answer| Ok(Reply { answer, changed: Vec::new() });
        macro_rules! wrote {
            ($name:ident, $done:expr) => {{
                let (answer, changed) = $done?;
                Ok(Reply { answer: Answer::$name(answer), changed })
            }};
        }
        // Long work asks for the machine only when it needs it.
        match action {
            Action::Find(with) => {
                let clock = Machine::default();
                return read(Answer::Find(find::find(shop, with, job, &|| clock.elapsed_ms())?));
            }
            Action::Plan(with) => {
                let clock = Machine::default();
                let made = plan::make(shop, with, job, &|| clock.elapsed_ms())?;
                let (answer, changed) = plan::keep(shop, &mut **lock(&self.host), made)?;
                return Ok(Reply { answer: Answer::Plan(answer), changed });
            }
            Action::PlanChange(with) => {
                let clock = Machine::default();
                let made = plan::change(shop, with, job, &|| clock.elapsed_ms())?;
                let (answer, changed) = plan::keep(shop, &mut **lock(&self.host), made)?;
                return Ok(Reply { answer: Answer::PlanChange(answer), changed });
            }
            Action::Label(with) => {
                let mut ready = label::make(shop, with)?;
                let spool = lock(&self.host).spool();
                ready.print(&*spool)?;
                let (answer, changed) = label::keep(shop, &mut **lock(&self.host), ready)?;
                return Ok(Reply { answer: Answer::Label(answer), changed });
            }
            Action::SyncNow(_) => return wrote!(SyncNow, exchange::now(shop, &mut self.machine())),
            Action::SyncFolder(with) => {
                return wrote!(SyncFolder, exchange::folder(shop, &mut self.machine(), &with.dir));
            }
            Action::SyncHub(with) => return wrote!(SyncHub, hub::exchange(shop, &mut self.machine(), &with.url)),
            Action::SyncPair(with) => return wrote!(SyncPair, network::pair_with(shop, &mut self.machine(), with)),
            Action::SyncNearby(_) => return read(Answer::SyncNearby(network::nearby(Some(shop))?)),
            Action::PlanTry(with) => return read(Answer::PlanTry(plan::try_change(shop, with)?)),
            Action::ScanPhoto(with) => return read(Answer::ScanPhoto(scan::photo(shop, with)?)),
            Action::Drawing(with) => return read(Answer::Drawing(drawing::drawing(shop, with)?)),
            _ => {}
        }
        let mut host = lock(&self.host);
        let host = &mut **host;
        match action {
            Action::Init(_)
            | Action::Restore(_)
            | Action::PrinterSystem(_)
            | Action::Label(_)
            | Action::SyncNow(_)
            | Action::SyncFolder(_)
            | Action::SyncHub(_)
            | Action::SyncPair(_)
            | Action::SyncNearby(_)
            | Action::Find(_)
            | Action::Plan(_)
            | Action::PlanChange(_)
            | Action::PlanTry(_)
            | Action::ScanPhoto(_)
            | Action::Drawing(_) => Err(Error::fault(say!("error-database", what = action.name()))),
            Action::Demo(_) => wrote!(Demo, demo::demo(shop, host, job)),
            Action::ShowShop(_) => read(Answer::ShowShop(setup::show(shop)?)),
            Action::Now(_) => read(Answer::Now(now::now(shop)?)),
            Action::MaterialAdd(with) => wrote!(MaterialAdd, material::add(shop, host, with)),
            Action::MaterialChange(with) => wrote!(MaterialChange, material::change(shop, host, with)),
            Action::MaterialList(_) => read(Answer::MaterialList(material::list(shop)?)),
            Action::RackAdd(with) => wrote!(RackAdd, rack::add(shop, host, with)),
            Action::RackDescribe(with) => wrote!(RackDescribe, rack::describe(shop, host, with)),
            Action::RackShow(with) => read(Answer::RackShow(rack::show(shop, with)?)),
            Action::RackList(_) => read(Answer::RackList(rack::list(shop)?)),
            Action::MachineAdd(with) => wrote!(MachineAdd, place::machine_add(shop, host, with)),
            Action::MachineList(_) => read(Answer::MachineList(place::machine_list(shop)?)),
            Action::Receive(with) => wrote!(Receive, receive::receive(shop, host, with)),
            Action::ReceiveDelivery(with) => wrote!(ReceiveDelivery, receive::delivery(shop, host, with)),
            Action::OnOrderAdd(with) => wrote!(OnOrderAdd, on_order::add(shop, host, with)),
            Action::OnOrderList(with) => read(Answer::OnOrderList(on_order::list(shop, with)?)),
            Action::OnOrderDrop(with) => wrote!(OnOrderDrop, on_order::drop(shop, host, with)),
            Action::LotList(with) => read(Answer::LotList(lot::list(shop, with)?)),
            Action::LotShow(with) => read(Answer::LotShow(lot::show(shop, with)?)),
            Action::LotCost(with) => wrote!(LotCost, lot::cost(shop, host, with)),
            Action::LotCredit(with) => wrote!(LotCredit, lot::credit(shop, host, with)),
            Action::LotClaim(with) => wrote!(LotClaim, lot::claim(shop, host, with)),
            Action::LotCorrect(with) => wrote!(LotCorrect, lot::correct(shop, host, with)),
            Action::StockList(with) => read(Answer::StockList(stock::list(shop, with)?)),
            Action::StockShow(with) => read(Answer::StockShow(stock::show(shop, with, host.wall_ms())?)),
            Action::StockExport(_) => read(Answer::StockExport(stock::export(shop)?)),
            Action::StockImport(with) => wrote!(StockImport, stock::import(shop, host, with)),
            Action::OffcutAdd(with) => wrote!(OffcutAdd, stock::offcut_add(shop, host, with)),
            Action::OrderNew(with) => wrote!(OrderNew, order::new(shop, host, with)),
            Action::OrderAdd(with) => wrote!(OrderAdd, order::add(shop, host, with)),
            Action::OrderRemake(with) => wrote!(OrderRemake, order::remake(shop, host, with)),
            Action::OrderList(_) => read(Answer::OrderList(order::list(shop)?)),
            Action::OrderShow(with) => read(Answer::OrderShow(order::show(shop, with)?)),
            Action::OrderCost(with) => read(Answer::OrderCost(order::cost(shop, with)?)),
            Action::PlanShow(with) => read(Answer::PlanShow(plan::show(shop, with)?)),
            Action::Hold(with) => wrote!(Hold, hold::hold(shop, host, with)),
            Action::Release(with) => wrote!(Release, hold::release(shop, host, &with.plan)),
            Action::Layout(with) => read(Answer::Layout(layout::layout(shop, with)?)),
            Action::Ticket(with) => read(Answer::Ticket(ticket::ticket(shop, with)?)),
            Action::Cut(with) => wrote!(Cut, cut::cut(shop, host, with)),
            Action::Take(with) => wrote!(Take, piece::take(shop, host, with)),
            Action::FlawAdd(with) => wrote!(FlawAdd, piece::flaw_add(shop, host, with)),
            Action::FlawRemove(with) => wrote!(FlawRemove, piece::flaw_remove(shop, host, with)),
            Action::Scrap(with) => wrote!(Scrap, piece::scrap(shop, host, with)),
            Action::WriteDown(with) => wrote!(WriteDown, worth::write_down(shop, host, with)),
            Action::Split(with) => wrote!(Split, worth::split(shop, host, with)),
            Action::FindAgain(with) => wrote!(FindAgain, worth::find_again(shop, host, with)),
            Action::HandBack(with) => wrote!(HandBack, worth::hand_back(shop, host, with)),
            Action::FilmNote(with) => wrote!(FilmNote, worth::film(shop, host, with)),
            Action::MaterialShow(with) => read(Answer::MaterialShow(catalogue::material_show(shop, with)?)),
            Action::MaterialRetire(with) => wrote!(MaterialRetire, catalogue::material_retire(shop, host, with)),
            Action::MachineChange(with) => wrote!(MachineChange, catalogue::machine_change(shop, host, with)),
            Action::MachineRetire(with) => wrote!(MachineRetire, catalogue::machine_retire(shop, host, with)),
            Action::CuttingNote(with) => wrote!(CuttingNote, catalogue::note(shop, host, with)),
            Action::CuttingNotes(with) => read(Answer::CuttingNotes(catalogue::notes(shop, with)?)),
            Action::OrderPrice(with) => wrote!(OrderPrice, quote::price(shop, host, with)),
            Action::OrderClose(with) => wrote!(OrderClose, quote::close(shop, host, with)),
            Action::Quote(with) => read(Answer::Quote(quote::quote(shop, with)?)),
            Action::QuoteKeep(with) => wrote!(QuoteKeep, quote::keep(shop, host, with)),
            Action::QuoteFile(with) => wrote!(QuoteFile, quote::file(shop, host, with)),
            Action::Move(with) => wrote!(Move, place::move_piece(shop, host, with)),
            Action::MoveMany(with) => wrote!(MoveMany, rack::move_many(shop, host, with)),
            Action::CountStart(with) => wrote!(CountStart, count::start(shop, host, with)),
            Action::CountSeen(with) => wrote!(CountSeen, count::seen(shop, host, with)),
            Action::CountPause(with) => wrote!(CountPause, count::pause(shop, host, with)),
            Action::CountSettle(with) => wrote!(CountSettle, count::settle(shop, host, with)),
            Action::CountFinish(with) => wrote!(CountFinish, count::finish(shop, host, with)),
            Action::CountShow(with) => read(Answer::CountShow(count::show(shop, with)?)),
            Action::CountList(_) => read(Answer::CountList(count::list(shop)?)),
            Action::CountNext(_) => read(Answer::CountNext(count::next(shop, host.wall_ms())?)),
            Action::Pull(with) => read(Answer::Pull(pull::pull(shop, with)?)),
            Action::LabelPapers(_) => read(Answer::LabelPapers(label::papers(shop)?)),
            Action::LabelAddress(with) => wrote!(LabelAddress, label::address(shop, host, with)),
            Action::PaperAdd(with) => wrote!(PaperAdd, label::paper_add(shop, host, with)),
            Action::PaperDrop(with) => wrote!(PaperDrop, label::paper_drop(shop, host, with)),
            Action::PrinterSet(with) => wrote!(PrinterSet, label::printer_set(shop, host, with)),
            Action::PrinterDrop(with) => wrote!(PrinterDrop, label::printer_drop(shop, host, with)),
            Action::PrinterList(_) => read(Answer::PrinterList(label::printer_list(shop)?)),
            Action::Undo(with) => wrote!(Undo, undo::undo(shop, host, with)),
            Action::Redo(_) => wrote!(Redo, undo::redo(shop, host)),
            Action::History(with) => read(Answer::History(history::history(shop, with)?)),
            Action::Scan(with) => read(Answer::Scan(scan::scan(shop, with)?)),
            Action::Identify(with) => read(Answer::Identify(scan::identify(shop, with)?)),
            Action::Report(with) => read(Answer::Report(report::report(shop, with, host.wall_ms())?)),
            Action::ReportFile(with) => read(Answer::ReportFile(report::file(shop, with, host.wall_ms())?)),
            Action::Conflicts(_) => read(Answer::Conflicts(conflicts::list(shop)?)),
            Action::Settle(with) => wrote!(Settle, settle::settle(shop, host, with)),
            Action::SyncStatus(_) => {
                let mut status = exchange::status(shop)?;
                status.peers = network::rows(shop, |peer| self.desk.line(peer))?;
                read(Answer::SyncStatus(status))
            }
            Action::SyncOffer(with) => read(Answer::SyncOffer(network::offer(shop, host, with)?)),
            Action::SyncRevoke(with) => wrote!(SyncRevoke, network::revoke(shop, host, with)),
            Action::SyncShare(with) => read(Answer::SyncShare(network::share(shop, with)?)),
            Action::SyncRename(with) => wrote!(SyncRename, exchange::rename(shop, host, &with.name)),
            Action::SyncRescue(with) => wrote!(SyncRescue, exchange::rescue(shop, host, &with.device)),
            Action::PersonAdd(with) => {
                let (answer, changed) = people::add(shop, host, with)?;
                // The first one made themselves the owner, and is the one who sits here.
                if let (Who::AtScreen, [only]) = (who, &answer.people[..]) {
                    lock(&self.at_screen).person = uuid::Uuid::try_parse(&only.person).ok();
                    shop.worker = self.worker(shop, who)?;
                    return Ok(Reply { answer: Answer::PersonAdd(people::list(shop)?), changed });
                }
                Ok(Reply { answer: Answer::PersonAdd(answer), changed })
            }
            Action::PersonChange(with) => wrote!(PersonChange, people::change(shop, host, with)),
            Action::PersonList(_) => read(Answer::PersonList(people::list(shop)?)),
            Action::PersonEnter(with) => {
                self.enter(shop, with, host.wall_ms())?;
                read(Answer::PersonEnter(people::list(shop)?))
            }
            Action::PersonLeave(_) => {
                lock(&self.at_screen).person = None;
                shop.worker = self.worker(shop, who)?;
                read(Answer::PersonLeave(people::list(shop)?))
            }
            Action::Check(with) => read(Answer::Check(books::check(shop, with)?)),
            Action::Digest(_) => read(Answer::Digest(books::digest(shop)?)),
            Action::Backup(with) => read(Answer::Backup(books::backup(shop, with)?)),
        }
    }

    /// Answers what a screen asks.
    pub fn ask(&self, request: &Value, face: Face) -> Value {
        let ask = match Ask::deserialize(request) {
            Ok(ask) => ask,
            Err(e) => return refused(&Error::bad(say!("error-request", why = e.to_string()))),
        };
        match ask {
            Ask::Hello => json!({
                "window": face == Face::Window,
                // A phone or tablet has a role of its own; on a shared device people say who they are.
                "paired": matches!(face, Face::Screen(_)),
                "shop": self.exists(),
                "version": env!("CARGO_PKG_VERSION"),
            }),
            Ask::News { since } => json!({ "news": self.news(since, NEWS) }),
            Ask::Progress { id } => match lock(&self.jobs).get(&id) {
                Some(job) => {
                    let (done, of) = job.progress();
                    json!({ "done": done, "of": of, "text": job.text() })
                }
                None => json!({ "done": null, "of": null, "text": "" }),
            },
            Ask::Cancel { id } => {
                if let Some(job) = lock(&self.jobs).get(&id) {
                    job.cancel();
                }
                json!({})
            }
            Ask::Act { action, .. } if face != Face::Window && on_this_machine(&action) => {
                refused(&Error::refused(say!("refused-window-only")))
            }
            Ask::Act { action, .. } if matches!(face, Face::Screen(_)) && is_of_this_screen(&action) => {
                refused(&Error::refused(say!("refused-role-owner")))
            }
            Ask::Act { id, action } => {
                let job = Arc::new(Job::default());
                if !id.is_empty() {
                    lock(&self.jobs).insert(id.clone(), job.clone());
                }
                let who = match face {
                    Face::Window | Face::Here => Who::AtScreen,
                    Face::Screen(worker) => Who::Known(worker),
                };
                let reply = self.act_as(who, &action, &job);
                lock(&self.jobs).remove(&id);
                match reply {
                    Ok(reply) => json!({ "ok": true, "answer": reply.answer, "changed": reply.changed }),
                    Err(error) => refused(&error),
                }
            }
        }
    }
}

/// Whether an action names files of the machine on which the program runs: only its own window may.
fn on_this_machine(action: &Action) -> bool {
    matches!(action, Action::Backup(_) | Action::Restore(_) | Action::SyncFolder(_) | Action::SyncHub(_))
}

/// Whether an action is about the program's own screen, or makes the shop file: nothing for a phone that was paired.
fn is_of_this_screen(action: &Action) -> bool {
    matches!(action, Action::Init(_) | Action::PersonEnter(_) | Action::PersonLeave(_))
}

fn refused(error: &Error) -> Value {
    json!({ "ok": false, "refused": error.to_answer() })
}

/// Bytes as they travel in an [`crate::action::Upload`].
pub fn upload(name: &str, bytes: &[u8]) -> crate::action::Upload {
    use base64::Engine as _;
    crate::action::Upload { name: name.to_owned(), data: base64::engine::general_purpose::STANDARD.encode(bytes) }
}

/// The bytes of a file that an answer carries.
pub fn download(data: &str) -> Result<Vec<u8>, Error> {
    given::bytes(&crate::action::Upload { name: String::new(), data: data.to_owned() }, "data")
}

//! The window, end to end: the main job walked as a person walks it, on drawings that others made.

mod driver;

use driver::with_window;
use serde_json::json;
use sheetloft_tests::customer_drawing;

/// From the first start in an empty shop to the cost of an order.
#[test]
fn from_the_pallet_to_the_cost_of_an_order() {
    with_window(|w| async {
        // The first start: there is no shop yet.
        w.heading("Know every sheet and every offcut by its true shape").await;
        w.fill("What is your shop called?", "North hall").await;
        w.choose("An empty shop").await;
        w.press("Open the shop").await;
        w.heading("What needs doing now").await;

        // What it works with.
        w.go("The shop").await;
        w.press("Materials").await;
        w.press("Add a material").await;
        w.fill("Name", "Birch plywood 6 mm").await;
        w.fill("Thickness, nominal", "6").await;
        w.fill("Density", "680").await;
        w.fill("Price today of a square metre", "24.50").await;
        w.unfold("Kerf, gap, margin, smallest offcut").await;
        w.fill("Kerf", "0.2").await;
        w.fill("Margin", "3").await;
        w.fill("Length", "120").await;
        w.fill("Width", "60").await;
        w.press("Add it").await;
        w.sees("Birch plywood 6 mm is added.").await;
        w.go("The shop").await;
        w.press("Racks").await;
        w.press("Add a rack").await;
        w.fill("Name", "A1").await;
        w.press("Add it").await;
        w.sees("Rack A1 is added.").await;

        // A delivery.
        w.go("Receive").await;
        w.select("Material", "Birch plywood 6 mm").await;
        w.fill("How many arrived", "3").await;
        w.fill("Price of one sheet", "61.40").await;
        w.fill("Length", "2440").await;
        w.fill("Width", "1220").await;
        w.select("Rack", "A1").await;
        w.fill("Freight for all", "10").await;
        w.press("Receive").await;
        w.heading("3 sheets received").await;
        w.picture("receive").await;
        w.sees("Before you lift or cut").await;

        // An offcut that nobody wrote down, of a shape that is no rectangle.
        let corner = w.path("corner.json");
        let shape = json!({ "outline": [[0, 0], [700, 0], [700, 260], [330, 260], [330, 520], [0, 520]], "holes": [] });
        std::fs::write(&corner, shape.to_string()).expect("a shape file");
        w.go("Record an offcut").await;
        w.choose("A shape file").await;
        w.give("Shape file", &corner).await;
        w.select("Material", "Birch plywood 6 mm").await;
        w.select("Rack", "A1").await;
        w.unfold("Cost and note").await;
        w.fill("Cost, by the books", "5.60").await;
        w.press("Put it in stock").await;
        w.sees("is in stock").await;
        let stock = w.cli().json(&["stock", "list", "--offcuts"]);
        let offcut = stock["pieces"][0]["piece"].as_str().expect("the offcut").to_owned();

        // A customer's drawing: the smallest piece that it fits, before anyone walks to the rack.
        let drawing = w.path("gear-plate.dxf");
        customer_drawing("gear-plate", &drawing);
        w.go("Find a piece").await;
        w.give("Drawing", &drawing).await;
        w.select("Material", "Birch plywood 6 mm").await;
        w.press("Find it").await;
        w.find(&format!("//article//h3/a[normalize-space(.) = '{offcut}']")).await;
        w.picture("find").await;
        w.press("Put on an order").await;
        w.fill("What is it for?", "Gear wall").await;
        w.fill("How many", "4").await;
        w.press("Add to the order").await;
        w.heading("Gear wall").await;

        // A plan, held and drawn for the machine.
        w.press("Plan it").await;
        w.heading("Cutting plan").await;
        w.look_at("(//main//section[.//h2//*[@class = 'code']])[1]//*[local-name() = 'svg']").await;
        w.picture("plan").await;
        w.press("Hold the pieces").await;
        w.find("//button[normalize-space(.) = 'Let the pieces go']").await;
        let plan = w.cli().json(&["order", "list"])["orders"][0].clone();
        assert_eq!(plan["state"], json!("held"));
        w.click("(//button[normalize-space(.) = 'Layout DXF'])[1]").await;
        w.sees("Saved:").await;
        let layout = w.saved().pop().expect("the layout lies in the folder");
        assert_eq!(layout.extension().and_then(|e| e.to_str()), Some("dxf"));
        let bytes = std::fs::read(&layout).expect("the layout");
        assert!(bytes.windows(8).any(|word| word == b"ENTITIES"), "{}", layout.display());

        // At the machine.
        w.press("Record the cut").await;
        w.look_at("(//main//fieldset)[1]").await;
        w.picture("cut").await;
        let order = w.cli().json(&["order", "show", plan["order"].as_str().expect("the order")]);
        let pieces = order["plans"][0]["pieces"].as_array().expect("the plan's pieces").clone();
        for piece in pieces.iter().filter_map(|piece| piece.as_str()) {
            w.press(&format!("{piece} is cut")).await;
            w.find(&format!("//section[@aria-labelledby = 'said']//article//a[. = '{piece}']")).await;
        }
        w.press("Make the labels").await;
        w.sees("Print at actual size").await;
        let labels = w.saved().into_iter().find(|p| p.extension().is_some_and(|e| e == "pdf")).expect("labels");
        assert!(std::fs::read(&labels).expect("labels").starts_with(b"%PDF-"));

        // What it cost, to the cent: the same on the screen and on the command line.
        let order = plan["order"].as_str().expect("the order").to_owned();
        w.press(&format!("What {order} cost")).await;
        w.heading("What Gear wall cost").await;
        let total = w.cli().json(&["order", "cost", &order])["total"].as_str().expect("a total").to_owned();
        w.find(&format!("//tfoot//td[contains(normalize-space(.), '{total}')]")).await;
        w.picture("cost").await;
        assert_eq!(w.cli().json(&["order", "show", &order])["state"], json!("cut"));

        // And the books agree, on the screen too.
        w.go("The shop").await;
        w.press("Check of the books").await;
        w.sees("Everything is in order, to the cent.").await;
        w
    });
}

/// A fresh machine: one press, and there is a shop to try everything on.
#[test]
fn the_demonstration_shop() {
    with_window(|w| async {
        w.heading("Know every sheet and every offcut by its true shape").await;
        w.picture("start").await;
        w.press("Open the shop").await;
        w.heading("What needs doing now").await;
        w.picture("now").await;
        let pieces = w.cli().json(&["stock", "list"])["pieces"].as_array().map_or(0, Vec::len);
        assert!(pieces > 5, "the demonstration shop has pieces");
        w.go("Stock").await;
        w.find("//main//a[.//*[local-name() = 'svg']]").await;
        w.picture("stock").await;
        w.choose("Offcuts").await;
        w.click("(//main//li/a[.//*[local-name() = 'svg']])[1]").await;
        w.heading("Offcut, ").await;
        w.picture("piece").await;
        w.go("Orders").await;
        w.heading("Orders").await;
        w.picture("orders").await;
        w
    });
}

/// What a person does wrong is said in a sentence, beside the field, and changes nothing.
#[test]
fn mistakes_are_said_and_change_nothing() {
    with_window(|w| async {
        w.press("Open the shop").await;
        w.heading("What needs doing now").await;
        let before = w.cli().json(&["digest"]);

        w.go("Receive").await;
        w.fill("How many arrived", "three").await;
        w.press("Receive").await;
        w.find("//*[@aria-invalid = 'true']").await;
        w.find("//form//*[@role = 'alert']").await;

        let junk = w.path("junk.dxf");
        std::fs::write(&junk, "this is not a drawing").expect("a file");
        let open = w.path("open-lines.dxf");
        customer_drawing("open-lines", &open);
        w.go("Find a piece").await;
        let material = w.cli().json(&["material", "list"])["materials"][0]["name"].as_str().expect("a name").to_owned();
        w.select("Material", &material).await;
        for file in [junk, open] {
            w.give("Drawing", &file).await;
            w.press("Find it").await;
            w.find("//form//*[@role = 'alert']").await;
        }
        assert_eq!(w.count("//article//h3").await, 0, "no answer");
        assert_eq!(w.cli().json(&["digest"]), before, "nothing has changed");
        w
    });
}

/// A scanner that types is heard while a form has the focus: the piece is opened, the form is neither changed nor sent.
#[test]
fn a_scanner_is_heard_anywhere_and_stays_out_of_forms() {
    with_window(|w| async {
        w.press("Open the shop").await;
        w.heading("What needs doing now").await;
        let before = w.cli().json(&["digest"]);
        let stock = w.cli().json(&["stock", "list"]);
        let piece = stock["pieces"][0]["piece"].as_str().expect("a code").to_owned();
        w.go("Receive").await;
        w.fill("Price of one sheet", "48.90").await;
        // Elsewhere for a moment: keys that a machine types are as quick as a scanner's.
        w.fill("How many arrived", "2").await;
        w.scan_into("Price of one sheet", &format!("HTTP://10.0.0.20:8470/{piece}")).await;
        w.heading(&piece).await;
        w.go("Receive").await;
        assert_eq!(w.value("Price of one sheet").await, "48.90");
        assert_eq!(w.cli().json(&["digest"]), before, "nothing has changed");
        w
    });
}

/// The window shows its own screens and nothing else, and asks nothing of any other machine.
#[test]
fn the_window_stays_with_its_own_screens() {
    with_window(|w| async {
        w.press("Open the shop").await;
        w.heading("What needs doing now").await;
        let asked = w
            .script("return performance.getEntriesByType('resource').map((entry) => new URL(entry.name).protocol + '//' + new URL(entry.name).host)")
            .await;
        let own = ["tauri://localhost", "ipc://localhost", "http://ipc.localhost"];
        for place in asked.as_array().expect("a list") {
            assert!(own.iter().any(|o| place == o), "{place}");
        }
        w.script("location.href = 'http://127.0.0.1:9/'").await;
        w.heading("What needs doing now").await;
        assert_eq!(
            w.script(
                "return eval === undefined ? 0 : (() => { try { return eval('1') } catch { return 'refused' } })()"
            )
            .await,
            "refused"
        );
        w
    });
}

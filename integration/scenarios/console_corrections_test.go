package scenarios

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"coldsection.example/integration/harness"
)

// A starter run and time worked that were entered wrongly are corrected in the browser: the entry before stays in sight, struck through, with who corrected it
// and why; a run that there never was is taken back; and quality corrects the time of a technician who left.
func TestWrongEntriesAreCorrectedInTheBrowser(t *testing.T) {
	w := benchFor(t, planned)
	w.pass(time.Minute)
	w.press("Start the work", "1 of 4")
	w.correctsAReading()
	w.pass(time.Hour)
	begin := w.now.Add(-30 * time.Minute).Truncate(time.Second)
	technician := w.as("technician")
	for i := range 2 {
		from := begin.Add(time.Duration(i) * 10 * time.Second)
		must(t, technician.REST("POST", "/v1/"+w.order+"/motoringRuns", map[string]any{
			"step": w.order + "/steps/s02", "startTime": from.Add(345 * time.Millisecond), "endTime": from.Add(5 * time.Second),
		}))
	}
	must(t, technician.REST("POST", "/v1/"+w.order+"/labourEntries", map[string]any{"startTime": begin, "endTime": begin.Add(20 * time.Minute)}))
	harness.Value(w.b, chromedp.Evaluate[bool](`(location.hash += "/s02") !== ""`))
	w.correctsARun(begin)
	w.takesARunBack()
	w.correctsTime("technician", begin, 10*time.Minute)
	w.be("quality")
	w.correctsTime("quality", begin, 12*time.Minute)
	w.shows("It stays the time of who worked")
	w.b.Do(chromedp.EmulateViewport(1280, 900))
	w.b.Picture("corrections-desktop")
}

// opensForm finds the newest entry of a list that can still be corrected, and opens its form.
func (w *bench) opensForm(list string) string {
	w.t.Helper()
	return harness.Value(w.b, chromedp.Poll[string](fmt.Sprintf(`(() => {
		const list = document.getElementById(%q);
		if (!list || document.querySelector("main").inert) return "";
		list.open = true;
		const form = [...list.querySelectorAll("details")].filter((d) => d.querySelector("summary").textContent === "Correct it").at(-1);
		form.open = true;
		form.scrollIntoView();
		return form.querySelector("input").id.replace(/-from$/, "");
	})()`, list)))
}

// corrects presses the last button of a title in a list, as the forms of all entries have the same.
func (w *bench) corrects(list, title, says string) {
	w.t.Helper()
	harness.Value(w.b, chromedp.Poll[bool](fmt.Sprintf(`(() => {
		const b = [...document.querySelectorAll("#%s button")].findLast((b) => b.textContent === %q && b.offsetParent && !b.closest("[inert]"));
		if (b) b.click();
		return Boolean(b);
	})()`, list, title)))
	w.says(says)
}

// correctsAReading types the value of the right line in place of that of the wrong one.
func (w *bench) correctsAReading() {
	w.t.Helper()
	w.press("I have read this", "Acknowledged")
	w.fill("read-supply", "255")
	w.pick("tool-supply", "tools/pressure-gauge")
	w.press("Record Supply pressure", "Recorded")
	w.press("Correct it", "1 of 4")
	w.fill("correct-supply", "262")
	w.fill("reason-supply", "Read off the wrong line")
	w.press("Correct the reading", "Recorded")
	w.shows("Does not count: corrected by you", "A correction by you", "Read off the wrong line")
	if struck := harness.Value(w.b, chromedp.Evaluate[string](`[...document.querySelectorAll("#step del")].map((d) => d.textContent).join()`)); struck != "255 kPa" {
		w.t.Errorf("struck through is %q", struck)
	}
	w.handy("corrections-reading")
}

// correctsARun moves the later run, which came too early after the first, to where it was; what stays as it was keeps its fractions of a second.
func (w *bench) correctsARun(begin time.Time) {
	w.t.Helper()
	w.shows("An entry is wrong", "EXCEEDANCE")
	id := w.opensForm("all-runs")
	w.handy("corrections-run")
	w.corrects("all-runs", "Correct the run", "reason")
	w.fillTime(id+"-from", begin.Add(15*time.Minute))
	w.fillTime(id+"-to", begin.Add(15*time.Minute+5*time.Second))
	w.fill(id+"-why", "Read off the other stopwatch")
	w.corrects("all-runs", "Correct the run", "Corrected")
	w.opensForm("all-runs")
	w.shows("Does not count: corrected by you", "A correction by you", "Read off the other stopwatch")
	w.b.Picture("corrections-run-done")
	struck := harness.Value(w.b, chromedp.Evaluate[int](`[...document.querySelectorAll("#all-runs del")]
		.filter((d) => getComputedStyle(d).textDecorationLine === "line-through").length`))
	if struck != 2 {
		w.t.Errorf("%d times of the wrong run are struck through", struck)
	}
	var counting []string
	for _, r := range elements(must(w.t, w.as("quality").REST("GET", "/v1/"+w.order+"/motoringRuns", nil)), "motoringRuns") {
		if run, _ := r.(map[string]any); run["successor"] == nil || run["successor"] == "" {
			counting = append(counting, fmt.Sprint(run["startTime"], " ", run["exceedance"] == true))
		}
	}
	want := []string{begin.Add(345*time.Millisecond).UTC().Format("2006-01-02T15:04:05.000Z") + " false", begin.Add(15*time.Minute).UTC().Format(time.RFC3339) + " false"}
	if strings.Join(counting, ", ") != strings.Join(want, ", ") {
		w.t.Errorf("the runs that count are %v, want %v", counting, want)
	}
}

func (w *bench) takesARunBack() {
	w.t.Helper()
	id := w.opensForm("all-runs")
	harness.Value(w.b, chromedp.Evaluate[bool](fmt.Sprintf(`(document.getElementById("%s-none").closest("details").open = true)`, id)))
	w.fill(id+"-none", "It was of the other engine")
	w.corrects("all-runs", "Take it back", "Taken back")
	harness.Value(w.b, chromedp.Evaluate[bool](`(document.getElementById("all-runs").open = true)`))
	w.shows("there was none: It was of the other engine")
}

// correctsTime shortens the newest time worked, whoever worked it.
func (w *bench) correctsTime(login string, begin time.Time, length time.Duration) {
	w.t.Helper()
	id := w.opensForm("labour")
	w.handy("corrections-time-" + login)
	w.fillTime(id+"-to", begin.Add(length))
	w.fill(id+"-why", "The clock of the hangar was wrong")
	w.corrects("labour", "Correct the time", "Corrected")
	harness.Value(w.b, chromedp.Evaluate[bool](`(document.getElementById("labour").open = true)`))
	w.shows("The clock of the hangar was wrong")
	if login == "quality" {
		w.opensForm("labour")
	}
	list := elements(must(w.t, w.as("quality").REST("GET", "/v1/"+w.order+"/labourEntries?filter=successor%20%3D%20%22%22", nil)), "labourEntries")
	entry, _ := list[len(list)-1].(map[string]any)
	corrector := map[string]string{"quality": "people/quality"}[login]
	if len(list) != 1 || text(entry, "person") != "people/technician" || text(entry, "corrector") != corrector || text(entry, "workedSeconds") != fmt.Sprint(int(length.Seconds())) {
		w.t.Errorf("the time worked is %v", list)
	}
}

// A page of one record.

const report = { ready: false };
window.echotrialReport = report;

async function begin() {
  const { record } = await readPayload();
  const plot = document.querySelector('[data-role="ascan"]');
  document.querySelector('[data-role="facts"]').append(readingsTable(record), truthList(record));
  const draw = () => drawRecord(plot, record);
  draw();
  DARK.addEventListener("change", draw);
  const printing = (on) => { document.documentElement.classList.toggle("on-paper", on); draw(); };
  addEventListener("beforeprint", () => printing(true));
  addEventListener("afterprint", () => printing(false));
  report.ready = true;
}

begin();

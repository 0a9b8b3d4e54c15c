// Deliver: the merge at full size, and a page to send.

const $ = (id) => document.getElementById(id);
const STEPS = { looking: "looking at the frames", merging: "merging" };

export class Deliver {
  constructor(app) {
    this.app = app;
    $("merge").onclick = async () => {
      try {
        this.app.link.take(await this.app.link.post("merge", {}));
      } catch (error) {
        this.app.complain(error);
      }
    };
  }

  state(state) {
    const { job } = state;
    const bar = $("merge-bar");
    bar.hidden = !job.step;
    bar.max = job.of || 1;
    bar.value = job.done;
    $("merge").disabled = Boolean(job.step);
    $("merge-about").value = job.step
      ? `${STEPS[job.step] ?? job.step} ${job.done} of ${job.of}`
      : job.failed || (state.merged ? "composite.tif and picture.jpg are up to date." : "There are changes that composite.tif and picture.jpg do not have yet.");
  }
}

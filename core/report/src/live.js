'use strict';
const place = document.querySelector('.running');
let before = '';
const ask = async () => {
  try {
    const answer = await fetch('running');
    const list = await answer.json();
    place.replaceChildren(...list.map(job => {
      const line = document.createElement('p');
      const bar = document.createElement('progress');
      bar.max = job.total || 1;
      bar.value = job.done || 0;
      bar.setAttribute('aria-label', `frames of ${job.run}`);
      line.append(`${job.run}: pass ${job.pass} of ${job.passes}, ${job.steps} `, bar, ` ${job.done} of ${job.total} frames`);
      return line;
    }));
    const now = list.map(job => job.run).join();
    if (before && now !== before && !document.querySelector('input:checked')) location.reload();
    before = now;
  } catch { place.replaceChildren(); }
};
ask();
setInterval(ask, 2000);

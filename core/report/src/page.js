'use strict';
// Each picture of a pair stays for so long, ms: 0.6 flashes a second, where three are the most that is safe
// (WCAG 2.2, success criterion 2.3.1).
const STAYS = 800;
document.querySelectorAll('.stage').forEach(stage => {
  const pick = name => stage.querySelector(name);
  const sheet = pick('.sheet'), slide = pick('.slide'), left = pick('.left-of'), right = pick('.right-of');
  const zoom = pick('.zoom'), smooth = pick('.smooth'), edge = pick('.edge'), blink = pick('.blink'), now = pick('.now');
  const views = [...stage.querySelectorAll('.view')];
  const calm = matchMedia('(prefers-reduced-motion: reduce)');
  let timer = 0, swapped = null;
  views.filter(img => img.dataset.copy).forEach(img => { img.src = document.getElementById(img.dataset.copy).src; });
  stage.closest('.look').hidden = false;
  const lay = () => {
    if (!slide) return;
    const at = swapped === null ? Number(slide.value) : swapped ? 100 : 0;
    const [a, b] = [left.selectedIndex, right.selectedIndex];
    views.forEach((img, i) => {
      img.hidden = i !== a && i !== b;
      img.classList.toggle('over', i === a && a !== b);
      img.style.clipPath = i === a && a !== b ? `inset(0 ${100 - at}% 0 0)` : '';
    });
    edge.style.left = at + '%';
    edge.hidden = at === 0 || at === 100;
    now.textContent = at === 0 ? right.value : at === 100 ? left.value : `${left.value} | ${right.value}`;
    slide.setAttribute('aria-valuetext', `${slide.value} percent shows ${left.value}, the rest ${right.value}`);
  };
  const stop = () => {
    clearInterval(timer);
    timer = 0;
    swapped = null;
    blink.setAttribute('aria-pressed', 'false');
  };
  const size = () => { sheet.style.width = zoom.value === 'fit' ? '100%' : stage.dataset.width * zoom.value + 'px'; };
  if (stage.dataset.width * zoom.value > stage.clientWidth) { zoom.value = 'fit'; size(); }
  if (slide) {
    const show = () => { stop(); lay(); };
    slide.addEventListener('input', show);
    [left, right].forEach(list => list.addEventListener('change', () => {
      if (swapped === null && slide.value === '0' && list === left) slide.value = 50;
      lay();
    }));
    // Whoever asked for less motion swaps by hand, and is told which picture came up.
    const mood = () => {
      stop();
      blink.textContent = calm.matches ? 'Swap' : 'Blink';
      if (calm.matches) now.setAttribute('role', 'status'); else now.removeAttribute('role');
      lay();
    };
    blink.addEventListener('click', () => {
      if (calm.matches) {
        swapped = !swapped;
        blink.setAttribute('aria-pressed', String(swapped));
      } else if (timer) {
        stop();
      } else {
        swapped = true;
        blink.setAttribute('aria-pressed', 'true');
        timer = setInterval(() => { swapped = !swapped; lay(); }, STAYS);
      }
      lay();
    });
    calm.addEventListener('change', mood);
    sheet.addEventListener('pointerdown', event => {
      const move = e => {
        const box = sheet.getBoundingClientRect();
        slide.value = Math.round(100 * (e.clientX - box.left) / box.width);
        show();
      };
      const end = () => { removeEventListener('pointermove', move); removeEventListener('pointerup', end); };
      move(event);
      addEventListener('pointermove', move);
      addEventListener('pointerup', end);
      event.preventDefault();
    });
    mood();
  }
  zoom.addEventListener('change', size);
  smooth.addEventListener('change', () => sheet.classList.toggle('square', !smooth.checked));
});

// The overview's own words in each language; the alarms are said by the page's.

import { language, words as page } from "/shared/js/words.js";

/**
 * @typedef {object} Words
 * @property {string} title
 * @property {string} caption
 * @property {string[]} columns
 * @property {string} none
 * @property {string} asking
 * @property {string} heard
 * @property {string} unheard
 * @property {string} unreachable
 * @property {Record<"away"|"doubt"|"unknown"|"within"|"outside", string>} state
 * @property {string} noFrame
 * @property {string} unsolved
 * @property {(known: string) => string} known
 * @property {(change: string) => string} week
 * @property {(n: number, top: string) => string} curve
 * @property {(n: number, unit: "s"|"min"|"h"|"d") => string} ago
 * @property {(n: number) => string} piers
 * @property {Record<"alarm"|"away"|"off", (n: number) => string>} count how many of them need somebody, and why
 * @property {[string, string]} signs behind the number of piers, and between the counts
 */

/** @type {Record<string, Words>} */
const catalogues = {
  en: {
    title: "All piers", caption: "All piers, those that need somebody first", columns: ["Pier", "State", "From the pole", "Last nights", "Last frame"], none: "No pier yet",
    asking: "Asking …", heard: "The broker is heard.", unheard: "The broker cannot be heard: what stands here is old.", unreachable: "The service cannot be reached: what stands here is old.",
    state: { away: "not running", doubt: "numbers in doubt", unknown: "not known yet", within: "within the tolerance", outside: "outside the tolerance" }, noFrame: "no frame yet", unsolved: "not understood",
    known: (known) => `known to ${known}`, week: (change) => `${change} a week`, curve: (n, top) => `Distance from the pole over ${n} nights, up to ${top}`,
    ago: (n, unit) => `${n} ${unit === "d" ? (n === 1 ? "day" : "days") : unit} ago`,
    piers: (n) => `${n} ${n === 1 ? "pier" : "piers"}`, signs: [": ", ", "],
    count: { alarm: (n) => `${n} with an alarm`, away: (n) => `${n} not running`, off: (n) => `${n} outside the tolerance` },
  },
  de: {
    title: "Alle Pfeiler", caption: "Alle Pfeiler; die jemanden brauchen, zuerst", columns: ["Pfeiler", "Zustand", "Vom Pol", "Letzte Nächte", "Letzte Aufnahme"], none: "Noch kein Pfeiler",
    asking: "Frage …", heard: "Der Broker ist zu hören.", unheard: "Der Broker ist nicht zu hören: was hier steht, ist alt.", unreachable: "Der Dienst ist nicht zu erreichen: was hier steht, ist alt.",
    state: { away: "läuft nicht", doubt: "Zahlen zweifelhaft", unknown: "noch unbekannt", within: "in der Toleranz", outside: "außerhalb der Toleranz" }, noFrame: "noch keine Aufnahme", unsolved: "nicht erkannt",
    known: (known) => `auf ${known} genau`, week: (change) => `${change} je Woche`, curve: (n, top) => `Abstand vom Pol in ${n} Nächten, bis ${top}`,
    ago: (n, unit) => `vor ${n} ${unit === "d" ? (n === 1 ? "Tag" : "Tagen") : unit}`,
    piers: (n) => `${n} Pfeiler`, signs: [": ", ", "],
    count: { alarm: (n) => `${n} mit Alarm`, away: (n) => `${n} ${n === 1 ? "läuft" : "laufen"} nicht`, off: (n) => `${n} außerhalb der Toleranz` },
  },
  fr: {
    title: "Tous les piliers", caption: "Tous les piliers, d’abord ceux qui demandent quelqu’un", columns: ["Pilier", "État", "Du pôle", "Dernières nuits", "Dernière image"], none: "Pas encore de pilier",
    asking: "Demande …", heard: "Le courtier MQTT répond.", unheard: "Le courtier MQTT ne répond pas : ce qui est ici est ancien.", unreachable: "Le service est injoignable : ce qui est ici est ancien.",
    state: { away: "à l’arrêt", doubt: "valeurs douteuses", unknown: "pas encore connu", within: "dans la tolérance", outside: "hors tolérance" }, noFrame: "pas encore d’image", unsolved: "non reconnue",
    known: (known) => `à ${known} près`, week: (change) => `${change} par semaine`, curve: (n, top) => `Distance au pôle sur ${n} nuits, jusqu’à ${top}`,
    ago: (n, unit) => `il y a ${n} ${unit === "d" ? (n === 1 ? "jour" : "jours") : unit}`,
    piers: (n) => `${n} ${n < 2 ? "pilier" : "piliers"}`, signs: [" : ", ", "],
    count: { alarm: (n) => `${n} en alarme`, away: (n) => `${n} à l’arrêt`, off: (n) => `${n} hors tolérance` },
  },
  es: {
    title: "Todos los pilares", caption: "Todos los pilares, primero los que necesitan a alguien", columns: ["Pilar", "Estado", "Del polo", "Últimas noches", "Última imagen"], none: "Aún no hay pilares",
    asking: "Preguntando …", heard: "Se oye al bróker.", unheard: "No se oye al bróker: lo de aquí es antiguo.", unreachable: "No se alcanza el servicio: lo de aquí es antiguo.",
    state: { away: "parado", doubt: "cifras dudosas", unknown: "aún sin saber", within: "dentro de la tolerancia", outside: "fuera de la tolerancia" }, noFrame: "aún sin imagen", unsolved: "no reconocida",
    known: (known) => `con ${known}`, week: (change) => `${change} por semana`, curve: (n, top) => `Distancia al polo en ${n} noches, hasta ${top}`,
    ago: (n, unit) => `hace ${n} ${unit === "d" ? (n === 1 ? "día" : "días") : unit}`,
    piers: (n) => `${n} ${n === 1 ? "pilar" : "pilares"}`, signs: [": ", ", "],
    count: { alarm: (n) => `${n} con alarma`, away: (n) => `${n} ${n === 1 ? "parado" : "parados"}`, off: (n) => `${n} fuera de la tolerancia` },
  },
  it: {
    title: "Tutti i pilastri", caption: "Tutti i pilastri, prima quelli che richiedono qualcuno", columns: ["Pilastro", "Stato", "Dal polo", "Ultime notti", "Ultima immagine"], none: "Ancora nessun pilastro",
    asking: "Richiesta …", heard: "Il broker si sente.", unheard: "Il broker non si sente: quanto sta qui è vecchio.", unreachable: "Il servizio non è raggiungibile: quanto sta qui è vecchio.",
    state: { away: "fermo", doubt: "numeri dubbi", unknown: "non ancora noto", within: "entro la tolleranza", outside: "fuori tolleranza" }, noFrame: "ancora nessuna immagine", unsolved: "non riconosciuta",
    known: (known) => `entro ${known}`, week: (change) => `${change} a settimana`, curve: (n, top) => `Distanza dal polo in ${n} notti, fino a ${top}`,
    ago: (n, unit) => `${n} ${unit === "d" ? (n === 1 ? "giorno" : "giorni") : unit} fa`,
    piers: (n) => `${n} ${n === 1 ? "pilastro" : "pilastri"}`, signs: [": ", ", "],
    count: { alarm: (n) => `${n} in allarme`, away: (n) => `${n} ${n === 1 ? "fermo" : "fermi"}`, off: (n) => `${n} fuori tolleranza` },
  },
  ja: {
    title: "全ピラー", caption: "全ピラー（対応の要るものから）", columns: ["ピラー", "状態", "極から", "最近の夜", "最後の画像"], none: "ピラーはまだありません",
    asking: "問い合わせ中…", heard: "ブローカーに接続中。", unheard: "ブローカーに接続できません。表示は古いものです。", unreachable: "サービスに接続できません。表示は古いものです。",
    state: { away: "停止", doubt: "数値が不確か", unknown: "未測定", within: "許容内", outside: "許容外" }, noFrame: "画像なし", unsolved: "認識不可",
    known: (known) => `±${known}`, week: (change) => `週に${change}`, curve: (n, top) => `${n}夜の極からの距離、最大${top}`,
    ago: (n, unit) => `${n}${{ s: "秒", min: "分", h: "時間", d: "日" }[unit]}前`,
    piers: (n) => `ピラー${n}基`, signs: ["：", "、"],
    count: { alarm: (n) => `警報${n}`, away: (n) => `停止${n}`, off: (n) => `許容外${n}` },
  },
  zh: {
    title: "全部观测墩", caption: "全部观测墩，需要处理的在前", columns: ["观测墩", "状态", "距极", "最近几夜", "最后一帧"], none: "还没有观测墩",
    asking: "正在询问…", heard: "代理服务器已连接。", unheard: "代理服务器连不上：此处内容已旧。", unreachable: "服务连不上：此处内容已旧。",
    state: { away: "未运行", doubt: "数值存疑", unknown: "尚未知", within: "在容差内", outside: "超出容差" }, noFrame: "尚无图像", unsolved: "未识别",
    known: (known) => `精度 ${known}`, week: (change) => `每周 ${change}`, curve: (n, top) => `${n} 夜的距极，最大 ${top}`,
    ago: (n, unit) => `${n} ${{ s: "秒", min: "分钟", h: "小时", d: "天" }[unit]}前`,
    piers: (n) => `${n} 个观测墩`, signs: ["：", "，"],
    count: { alarm: (n) => `${n} 个报警`, away: (n) => `${n} 个未运行`, off: (n) => `${n} 个超出容差` },
  },
};

export const words = catalogues[language] ?? catalogues.en;

/** The languages that the overview has words in. */
export const covered = Object.keys(catalogues);

/**
 * What a pier says itself, which is English: an alarm by its code, and what to do in English only.
 * @param {{code: string, message: string}} alarm
 */
export const alarmText = (alarm) => page.warning[`alarm_${alarm.code}`] ?? alarm.message;
/**
 * A number with the language's decimal sign.
 * @param {string} text
 */
export const decimal = (text) => (["de", "fr", "es", "it"].includes(language) ? text.replace(".", ",") : text);

/**
 * A sentence with primes in place of typewriter quotes.
 * @param {string} text
 */
export const primes = (text) => text.replace(/(\d)'/g, "$1′").replace(/(\d)"/g, "$1″");

export const inEnglish = language === "en";

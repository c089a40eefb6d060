# Writes designs of studies, and what is to be expected of them, for planning_reference_test to
# recompute.
#
#   Rscript planning_references.R OUTPUT.json
#
# Nothing here follows the recursions of plumule::stats: every fate that the units of a block can
# have is listed (a look at which each is seen across, or after which it is lost or its block
# closes), its chance computed from the model, and the analysis made of it by its definition: the
# influence of a unit on a product-limit restricted mean, and the log-rank sums of a block with the
# hypergeometric variance. Chances are averaged over the gamma frailty by Gauss-Laguerre quadrature.
suppressPackageStartupMessages(library(jsonlite))
set.seed(20270306)

# Chances, by the fates of one unit, in a block of frailty z that closes after look c: seen across at
# look 1 … J, then last known without it at look 0 … J.
fate_chances <- function(survival, kept, c) {
  looks <- length(survival) - 1
  across <- ifelse(seq_len(looks) <= c, -diff(survival) * kept[-1], 0)
  k <- 0:looks
  lost <- ifelse(k < c, survival * (kept - c(kept[-1], 0)), ifelse(k == c, survival * kept, 0))
  c(across, lost)
}

# Nodes and weights of the gamma frailty of mean 1: generalized Gauss-Laguerre quadrature from the
# eigenvalues of its Jacobi matrix (Golub & Welsch 1969, Math Comp 23:221).
frailties <- function(theta, nodes = 150) {
  if (theta == 0) return(list(z = 1, w = 1))
  alpha <- 1 / theta - 1
  k <- seq_len(nodes) - 1
  jacobi <- diag(2 * k + alpha + 1)
  off <- sqrt(k[-1] * (k[-1] + alpha))
  jacobi[cbind(2:nodes, 1:(nodes - 1))] <- jacobi[cbind(1:(nodes - 1), 2:nodes)] <- off
  e <- eigen(jacobi, symmetric = TRUE)
  list(z = theta * e$values, w = e$vectors[1, ]^2)
}

# Observed minus expected events of the treated units, and its variance, for every fate of a block.
log_rank_of_fates <- function(fates, treated, looks) {
  u <- v <- numeric(nrow(fates))
  for (j in seq_len(looks)) {
    at_risk <- ifelse(fates <= looks, fates >= j, fates - looks - 1 >= j)
    event <- fates == j
    dim(at_risk) <- dim(event) <- dim(fates)
    n <- rowSums(at_risk)
    n1 <- rowSums(at_risk[, treated, drop = FALSE])
    d <- rowSums(event)
    d1 <- rowSums(event[, treated, drop = FALSE])
    u <- u + ifelse(n > 0, d1 - d * n1 / pmax(n, 1), 0)
    v <- v + ifelse(n > 1, d * (n - d) * n1 * (n - n1) / (pmax(n, 1)^2 * pmax(n - 1, 1)), 0)
  }
  list(u = u, v = v)
}

expected <- function(d) {
  looks <- floor(d$longest / d$look)
  day <- d$look * (0:looks)
  range <- d$longest - d$shortest
  open <- if (range == 0) rep(1, looks + 1) else pmin(1, pmax(0, (d$longest - day) / range))
  closes_after <- open - c(open[-1], 0)  # chance that look c is the last
  kept <- (1 - d$loss)^(day / d$horizon)
  hazard <- log(2) * (day / d$median)^d$shape
  arms <- list(list(ratio = 1, never = d$control_never),
               list(ratio = d$ratio, never = d$treatment_never))
  given <- function(arm, z) arm$never + (1 - arm$never) * exp(-z * arm$ratio * hazard)
  started <- 1 - d$silent
  curves <- lapply(arms, function(arm) {
    x <- arm$ratio * hazard
    survival <- arm$never + (1 - arm$never) *
      (if (d$theta == 0) exp(-x) else (1 + d$theta * x)^(-1 / d$theta))
    within <- day < d$horizon
    widths <- diff(c(day[within], d$horizon))
    area <- rev(cumsum(rev(survival[within] * widths)))  # from each look to the horizon
    # By fate: the influence of one unit, per unit that was started.
    influence <- sapply(seq_len(2 * looks + 1), function(fate) {
      last <- if (fate <= looks) fate else fate - looks - 1
      total <- 0
      for (j in seq_len(looks)) {
        if (!within[j + 1] || j > last) next
        h <- 1 - survival[j + 1] / survival[j]
        y <- started * survival[j] * kept[j + 1] * open[j + 1]
        total <- total - area[j + 1] * ((fate == j) - h) / (y * (1 - h))
      }
      total
    })
    list(mean = area[1], reached = 1 - survival[max(which(day <= d$horizon))],
         events = started * d$m * sum(-diff(survival) * kept[-1] * open[-1]),
         influence = influence)
  })
  # Every fate of a block, with its log-rank sums.
  fates <- as.matrix(expand.grid(rep(list(seq_len(2 * looks + 1)), 2 * d$m)))
  sums <- log_rank_of_fates(fates, d$m + seq_len(d$m), looks)
  influence <- lapply(curves, `[[`, "influence")
  # Moments over the frailty and the look after which the block closes.
  total <- numeric(8)
  frailty <- frailties(d$theta)
  for (c in which(closes_after > 0) - 1) for (i in seq_along(frailty$z)) {
    p <- lapply(arms, function(arm) fate_chances(given(arm, frailty$z[i]), kept, c))
    own <- mapply(function(p, x) sum(p * x^2), p, influence)
    mean <- mapply(function(p, x) sum(p * x), p, influence)
    block <- rep(1, nrow(fates))
    for (unit in seq_len(2 * d$m)) block <- block * p[[1 + (unit > d$m)]][fates[, unit]]
    total <- total + closes_after[c + 1] * frailty$w[i] *
      c(own, mean^2, prod(mean), sum(block * sums$u), sum(block * sums$u^2), sum(block * sums$v))
  }
  variance <- started * (sum(total[1:2]) / d$m + (d$m - 1) / d$m * sum(total[3:4]) - 2 * total[5])
  u <- total[6]
  u2 <- total[7]
  v <- total[8]
  list(control_mean = curves[[1]]$mean, treatment_mean = curves[[2]]$mean,
       control_reached = curves[[1]]$reached, treatment_reached = curves[[2]]$reached,
       control_events = curves[[1]]$events, treatment_events = curves[[2]]$events,
       difference_variance = variance, log_rank_mean = started * u,
       log_rank_variance = started * u2 - (started * u)^2, log_rank_information = started * v)
}

# Power with n blocks, as a normal distribution gives it, and the fewest blocks for a power of 0.8.
power <- function(n, effect, sd, assumed, z)
  pnorm((effect * sqrt(n) - z * assumed) / sd) + pnorm((-effect * sqrt(n) - z * assumed) / sd)
plans <- function(e) {
  z <- qnorm(0.975)
  days <- list(effect = abs(e$treatment_mean - e$control_mean), sd = sqrt(e$difference_variance))
  days$assumed <- days$sd
  ranks <- list(effect = e$log_rank_mean, sd = sqrt(e$log_rank_variance),
                assumed = sqrt(e$log_rank_information))
  one <- function(s) {
    n <- 1:200000
    enough <- which(power(n, s$effect, s$sd, s$assumed, z) >= 0.8)
    list(power = power(60, s$effect, s$sd, s$assumed, z),
         blocks = if (length(enough)) enough[1] else NA)
  }
  list(days = one(days), ranks = one(ranks))
}

draw <- function(i) {
  theta <- c(0, 0.15, 0.4, 0.9)[i %% 5 %% 4 + 1]
  m <- c(1, 1, 1, 2)[i %% 4 + 1]
  looks <- if (m == 1) sample(2:6, 1) else if (theta == 0) 3 else 2
  look <- sample(c(0.5, 1, 3, 7), 1)
  longest <- look * (looks + runif(1, 0, 0.9))
  list(median = longest * runif(1, 0.5, 1.2), ratio = exp(runif(1, -1, 1.5)),
       shape = runif(1, 0.6, 2.5), control_never = c(0, runif(1, 0, 0.6))[i %% 2 + 1],
       treatment_never = c(0, runif(1, 0, 0.6))[i %% 3 %/% 2 + 1],
       theta = theta, loss = c(0, runif(1, 0, 0.5))[i %% 2 + 1],
       silent = c(0, 0.2)[i %% 7 %% 2 + 1], m = m,
       shortest = if (i %% 3 == 0) longest else longest * runif(1, 0, 0.9), longest = longest,
       look = look, horizon = longest * runif(1, 0.4, 1))
}

designs <- lapply(1:240, function(i) {
  d <- draw(i)
  e <- expected(d)
  c(list(name = paste("random", i), design = d, expected = e), plans(e))
})
write_json(list(versions = list(R = paste(R.version$major, R.version$minor, sep = ".")),
                designs = designs),
           commandArgs(TRUE)[1], digits = I(17), auto_unbox = TRUE, null = "null", na = "null")

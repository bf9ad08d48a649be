// Reads a problem as the package pose/rig writes it (WriteProblem), solves it
// with Ceres and prints the minimum and the covariance of the hubs. A check of
// our solver by another one, for tests only.
//
//   solve FILE [--threads N] [--solver dense|sparse] [--analytic] [--tolerance X]
//
// It shares no code with the project. Derivatives are Ceres' own automatic ones;
// with --analytic those of the board views are written out, for a fair race.
//
// Output, a keyword a line:
//   cost INITIAL FINAL
//   seconds WALL CPU        solving and covariance together, reading left out
//   value BLOCK X ...       every block
//   hubs BLOCK ...          the free ones
//   covariance C ...        of their steps, all together, row by row

#include <ceres/ceres.h>
#include <sys/resource.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <fstream>
#include <iostream>
#include <map>
#include <memory>
#include <sstream>
#include <string>
#include <vector>

namespace {

[[noreturn]] void fail(const std::string& what) {
  std::cerr << "solve: " << what << "\n";
  std::exit(1);
}

// ---- The text ----

struct Block {
  std::string manifold, name;
  std::vector<double> x;
  std::vector<int> held;
  bool constant = false, eliminate = false;
};

struct Residual {
  std::string kind, name, loss;
  double width = 0;
  int rows = 0, group = 0;
  std::vector<int> blocks;
  std::vector<std::string> links;
  std::vector<std::array<double, 7>> corners;
  std::vector<std::vector<double>> together;  // rows over all corners
  std::map<std::string, std::vector<double>> numbers;  // all other lines

  double one(const std::string& key) const { return list(key, 1)[0]; }
  const std::vector<double>& list(const std::string& key, size_t n) const {
    auto it = numbers.find(key);
    if (it == numbers.end() || it->second.size() != n) fail("residual " + name + ": no such line, or of wrong length: " + key);
    return it->second;
  }
};

std::vector<double> numbersOf(std::istringstream& in, const std::string& line) {
  std::vector<double> out;
  std::string word;
  while (in >> word) {
    char* end;
    out.push_back(std::strtod(word.c_str(), &end));
    if (*end) fail("not a number in: " + line);
  }
  return out;
}

void read(const std::string& path, std::vector<Block>& blocks, std::vector<Residual>& residuals) {
  std::ifstream file(path);
  std::string line;
  if (!std::getline(file, line) || line != "problem 1") fail(path + " is not a problem of version 1");
  while (std::getline(file, line)) {
    std::istringstream in(line);
    std::string key;
    in >> key;
    if (line[0] != ' ') {
      if (key == "block") {
        blocks.emplace_back();
        in >> blocks.back().manifold;
      } else if (key == "residual") {
        residuals.emplace_back();
        in >> residuals.back().kind;
      } else {
        fail("unknown line: " + line);
      }
    } else if (residuals.empty()) {
      Block& b = blocks.back();
      if (key == "name") b.name = line.substr(7);
      else if (key == "value") b.x = numbersOf(in, line);
      else if (key == "constant") b.constant = true;
      else if (key == "eliminate") b.eliminate = true;
      else if (key == "held") for (double c : numbersOf(in, line)) b.held.push_back(static_cast<int>(c));
      else fail("unknown line: " + line);
    } else {
      Residual& r = residuals.back();
      if (key == "name") r.name = line.substr(7);
      else if (key == "blocks") for (double c : numbersOf(in, line)) r.blocks.push_back(static_cast<int>(c));
      else if (key == "rows") in >> r.rows;
      else if (key == "loss") in >> r.loss >> r.width >> r.group;
      else if (key == "links") for (std::string l; in >> l;) r.links.push_back(l);
      else if (key == "corner") {
        std::vector<double> v = numbersOf(in, line);
        if (v.size() != 7 && v.size() != 4) fail("a corner has seven numbers, or four: " + line);
        if (v.size() == 4) v.insert(v.end(), {1, 0, 1});
        r.corners.emplace_back();
        std::copy(v.begin(), v.end(), r.corners.back().begin());
      } else if (key == "row") r.together.push_back(numbersOf(in, line));
      else r.numbers[key] = numbersOf(in, line);
    }
  }
  for (const Residual& r : residuals)
    for (int b : r.blocks)
      if (b < 0 || b >= static_cast<int>(blocks.size())) fail("residual " + r.name + ": no block " + std::to_string(b));
}

// ---- Manifolds ----

using Matrix3 = Eigen::Matrix<double, 3, 3, Eigen::RowMajor>;
using Vector3 = Eigen::Vector3d;

Matrix3 skew(const Vector3& v) {
  Matrix3 m;
  m << 0, -v[2], v[1], v[2], 0, -v[0], -v[1], v[0], 0;
  return m;
}

Matrix3 exponential(const Vector3& w) {
  const double angle = w.norm();
  if (angle < 1e-300) return Matrix3::Identity();
  return Eigen::AngleAxisd(angle, w / angle).toRotationMatrix();
}

// A rigid transform, twelve numbers R (row by row) and T, under one of the three
// kinds of steps, with some components of the step held at zero. Numbers beside
// it move by addition.
class Transform : public ceres::Manifold {
 public:
  Transform(const std::string& kind, int size, const std::vector<int>& held) : kind_(kind), size_(size) {
    own_ = kind == "pose" ? 6 : kind == "hub" ? 5 : 4;
    const int n = own_ + size - 12;
    for (int i = 0; i < n; i++)
      if (std::find(held.begin(), held.end(), i) == held.end()) free_.push_back(i);
  }
  int AmbientSize() const override { return size_; }
  int TangentSize() const override { return static_cast<int>(free_.size()); }

  bool Plus(const double* x, const double* delta, double* out) const override {
    double d[6] = {0, 0, 0, 0, 0, 0};
    std::copy(x + 12, x + size_, out + 12);
    for (size_t i = 0; i < free_.size(); i++)
      if (free_[i] < own_) d[free_[i]] = delta[i];
      else out[12 + free_[i] - own_] += delta[i];
    Eigen::Map<const Matrix3> r(x);
    Eigen::Map<const Vector3> t(x + 9);
    Eigen::Map<Matrix3> rOut(out);
    Eigen::Map<Vector3> tOut(out + 9);
    Matrix3 turned;
    if (kind_ == "pose") {
      turned = exponential({d[0], d[1], d[2]}) * r;
      tOut = t + Vector3(d[3], d[4], d[5]);
    } else if (kind_ == "hub") {
      turned = r * exponential({d[0], 0, d[1]});
      tOut = t + Vector3(d[2], d[3], d[4]);
    } else {
      turned = r * exponential({d[0], d[1], 0});
      tOut = t + r * Vector3(d[2], d[3], 0);
    }
    // Rounding must not add up over the iterations.
    Eigen::Quaterniond q(turned);
    rOut = q.normalized().toRotationMatrix();
    return true;
  }

  bool PlusJacobian(const double* x, double* jacobian) const override {
    Eigen::Map<const Matrix3> r(x);
    Eigen::Map<Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>> j(jacobian, size_, TangentSize());
    j.setZero();
    for (size_t i = 0; i < free_.size(); i++) {
      const int c = free_[i];
      if (c >= own_) {
        j(12 + c - own_, i) = 1;
        continue;
      }
      Matrix3 dr = Matrix3::Zero();
      Vector3 dt = Vector3::Zero();
      if (kind_ == "pose") {
        if (c < 3) dr = skew(Vector3::Unit(c)) * r;
        else dt = Vector3::Unit(c - 3);
      } else if (kind_ == "hub") {
        if (c < 2) dr = r * skew(Vector3::Unit(2 * c));
        else dt = Vector3::Unit(c - 2);
      } else {
        if (c < 2) dr = r * skew(Vector3::Unit(c));
        else dt = r.col(c - 2);
      }
      for (int k = 0; k < 9; k++) j(k, i) = dr(k / 3, k % 3);
      for (int k = 0; k < 3; k++) j(9 + k, i) = dt[k];
    }
    return true;
  }

  // Solving and the covariance need neither; Ceres would report a refusal.
  bool Minus(const double*, const double*, double*) const override { return false; }
  bool MinusJacobian(const double*, double*) const override { return false; }

 private:
  std::string kind_;
  int size_, own_;  // numbers of the value, and components of the transform's step
  std::vector<int> free_;
};

// ---- Residuals, written once for numbers and for Ceres' dual numbers ----

template <typename T>
using V3 = std::array<T, 3>;

template <typename T>
V3<T> carry(const T* x, const V3<T>& p) {
  V3<T> out;
  for (int i = 0; i < 3; i++) out[i] = x[3 * i] * p[0] + x[3 * i + 1] * p[1] + x[3 * i + 2] * p[2] + x[9 + i];
  return out;
}

// Rᵀ·(p − T)
template <typename T>
V3<T> carryBack(const T* x, const V3<T>& p) {
  V3<T> d = {p[0] - x[9], p[1] - x[10], p[2] - x[11]}, out;
  for (int i = 0; i < 3; i++) out[i] = x[i] * d[0] + x[3 + i] * d[1] + x[6 + i] * d[2];
  return out;
}

enum Link { kTransform, kSpin, kSteer };

struct BoardView {
  std::vector<Link> links;
  std::vector<int> first;  // block of each link
  int camera;              // block; the print scale is the next, then the shape
  bool wanders = false, rolls = false, shaped = false;
  double half[2];
  std::vector<std::array<double, 7>> corners;
  std::vector<double> read;  // by corner, of a link roll
  Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor> together;  // empty: corners by themselves

  BoardView(const Residual& r, size_t from, size_t to) {
    int at = 0;
    for (const std::string& l : r.links) {
      first.push_back(at++);
      if (l == "photo" || l == "roll") wanders = true;
      if (l == "roll") rolls = true;
      if (l == "pose" || l == "photo" || l == "roll" || l == "hub") links.push_back(kTransform);
      else if (l == "spin") links.push_back(kSpin);
      else if (l == "steer") links.push_back(kSteer), at++;
      else fail("unknown link " + l);
    }
    camera = at;
    shaped = static_cast<int>(r.blocks.size()) == at + 3;
    if (!shaped && static_cast<int>(r.blocks.size()) != at + 2) fail("residual " + r.name + ": wrong number of blocks");
    half[0] = r.list("half", 2)[0], half[1] = r.list("half", 2)[1];
    corners.assign(r.corners.begin() + from, r.corners.begin() + to);
    if (rolls) {
      const std::vector<double>& all = r.list("read", r.corners.size());
      read.assign(all.begin() + from, all.begin() + to);
    }
    if (!r.together.empty()) together.resize(r.together.size(), 2 * corners.size());
    for (size_t i = 0; i < r.together.size(); i++) {
      if (r.together[i].size() != 2 * corners.size()) fail("residual " + r.name + ": a row of wrong length");
      for (size_t k = 0; k < r.together[i].size(); k++) together(i, k) = r.together[i][k];
    }
  }

  int rows() const { return static_cast<int>(together.size() ? together.rows() : 2 * corners.size()); }

  template <typename T>
  bool operator()(T const* const* x, T* out) const {
    if (!together.size()) return each(x, out);
    std::vector<T> e(2 * corners.size());
    if (!each(x, e.data())) return false;
    for (int i = 0; i < together.rows(); i++) {
      out[i] = T(0);
      for (int k = 0; k < together.cols(); k++) out[i] += together(i, k) * e[k];
    }
    return true;
  }

  // Each of the bow's components at a point of the nominal board.
  std::array<double, 3> bow(const std::array<double, 7>& o) const {
    const double u = o[0] / half[0], v = o[1] / half[1];
    return {u * u - 1. / 3, v * v - 1. / 3, u * v};
  }

  template <typename T>
  V3<T> onBoard(T const* const* x, const std::array<double, 7>& o) const {
    const T* scale = x[camera + 1];
    V3<T> p = {scale[0] * o[0], scale[1] * o[1], T(0)};
    if (!shaped) return p;
    const T* s = x[camera + 2];
    const std::array<double, 3> b = bow(o);
    return {p[0] * (1.0 + s[0]), p[1] * (1.0 + s[1]), s[2] * b[0] + s[3] * b[1] + s[4] * b[2]};
  }

  // Where a point of the camera has gone when corner c is read.
  template <typename T>
  V3<T> rolled(T const* const* x, size_t c, const V3<T>& p) const {
    if (!rolls) return p;
    const T *w = x[0] + 15, *t = x[0] + 18;
    const double s = read[c];
    return {p[0] + s * (w[1] * p[2] - w[2] * p[1] + t[0]), p[1] + s * (w[2] * p[0] - w[0] * p[2] + t[1]),
            p[2] + s * (w[0] * p[1] - w[1] * p[0] + t[2])};
  }

  // The camera of this photograph: fx, fy, cx, cy.
  template <typename T>
  std::array<T, 4> lens(T const* const* x) const {
    const T* k = x[camera];
    if (!wanders) return {k[0], k[1], k[2], k[3]};
    const T* w = x[0] + 12;
    return {k[0] * (1.0 + w[0]), k[1] * (1.0 + w[0]), k[2] + w[1], k[3] + w[2]};
  }

  template <typename T>
  bool each(T const* const* x, T* out) const {
    using std::cos;
    using std::sin;
    const T* k = x[camera];
    const std::array<T, 4> f = lens(x);
    for (size_t c = 0; c < corners.size(); c++) {
      const std::array<double, 7>& o = corners[c];
      V3<T> p = onBoard(x, o);
      for (int l = static_cast<int>(links.size()) - 1; l >= 0; l--) {
        const T* b = x[first[l]];
        if (links[l] == kTransform) {
          p = carry(b, p);
        } else if (links[l] == kSpin) {
          T cs = cos(b[0]), sn = sin(b[0]);
          p = {cs * p[0] + sn * p[2], p[1], cs * p[2] - sn * p[0]};
        } else {
          const T& angle = x[first[l] + 1][0];
          T cs = cos(angle), sn = sin(angle);
          V3<T> q = carryBack(b, p);
          p = carry(b, V3<T>{cs * q[0] - sn * q[1], sn * q[0] + cs * q[1], q[2]});
        }
      }
      p = rolled(x, c, p);
      if (!(p[2] > T(1e-9))) return false;
      T u = p[0] / p[2], v = p[1] / p[2];
      T r2 = u * u + v * v;
      T radial = (1.0 + r2 * (k[4] + r2 * (k[5] + r2 * k[8]))) / (1.0 + r2 * (k[9] + r2 * (k[10] + r2 * k[11])));
      T ex = f[0] * (u * radial + 2.0 * k[6] * u * v + k[7] * (r2 + 2.0 * u * u) + r2 * (k[12] + r2 * k[13])) + f[2] - o[2];
      T ey = f[1] * (v * radial + k[6] * (r2 + 2.0 * v * v) + 2.0 * k[7] * u * v + r2 * (k[14] + r2 * k[15])) + f[3] - o[3];
      out[2 * c] = o[4] * ex;
      out[2 * c + 1] = o[5] * ex + o[6] * ey;
    }
    return true;
  }
};

// The same with derivatives by hand, by the twelve numbers of each transform.
class FastBoardView : public ceres::CostFunction {
 public:
  FastBoardView(const BoardView& v, const std::vector<int>& sizes) : v_(v) {
    for (int s : sizes) mutable_parameter_block_sizes()->push_back(s);
    set_num_residuals(v.rows());
  }

  bool Evaluate(double const* const* x, double* out, double** jac) const override {
    if (!jac) return v_(x, out);
    if (!v_.together.size()) return each(x, out, jac);
    const int n = static_cast<int>(2 * v_.corners.size());
    Eigen::VectorXd e(n);
    using Rows = Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>;
    std::vector<Rows> parts(parameter_block_sizes().size());
    std::vector<double*> to(parts.size(), nullptr);
    for (size_t b = 0; b < parts.size(); b++)
      if (jac[b]) parts[b].resize(n, parameter_block_sizes()[b]), to[b] = parts[b].data();
    if (!each(x, e.data(), to.data())) return false;
    Eigen::Map<Eigen::VectorXd>(out, v_.rows()) = v_.together * e;
    for (size_t b = 0; b < parts.size(); b++)
      if (jac[b]) Eigen::Map<Rows>(jac[b], v_.rows(), parts[b].cols()).noalias() = v_.together * parts[b];
    return true;
  }

 private:
  bool each(double const* const* x, double* out, double** jac) const {
    const int n = static_cast<int>(v_.links.size());
    const double* k = x[v_.camera];
    const double* scale = x[v_.camera + 1];
    const double* shape = v_.shaped ? x[v_.camera + 2] : nullptr;
    const double grown = v_.wanders ? 1 + x[0][12] : 1;
    const std::array<double, 4> f = v_.lens(x);
    std::array<double, 8> cs{}, sn{};
    if (n > 8) return false;
    for (int l = 0; l < n; l++) {
      if (v_.links[l] == kTransform) continue;
      const double angle = x[v_.first[l] + (v_.links[l] == kSteer ? 1 : 0)][0];
      cs[l] = std::cos(angle), sn[l] = std::sin(angle);
    }
    for (size_t c = 0; c < v_.corners.size(); c++) {
      const std::array<double, 7>& o = v_.corners[c];
      std::array<V3<double>, 9> at;                // at[l]: the point outside link l
      std::array<V3<double>, 8> before{}, after{};  // in the line's frame, of a steer link
      at[n] = v_.onBoard(x, o);
      for (int l = n - 1; l >= 0; l--) {
        const double* b = x[v_.first[l]];
        const V3<double>& p = at[l + 1];
        if (v_.links[l] == kTransform) {
          at[l] = carry(b, p);
        } else if (v_.links[l] == kSpin) {
          at[l] = {cs[l] * p[0] + sn[l] * p[2], p[1], cs[l] * p[2] - sn[l] * p[0]};
        } else {
          before[l] = carryBack(b, p);
          const V3<double>& q = before[l];
          after[l] = {cs[l] * q[0] - sn[l] * q[1], sn[l] * q[0] + cs[l] * q[1], q[2]};
          at[l] = carry(b, after[l]);
        }
      }
      const V3<double> p = v_.rolled(x, c, at[0]);
      if (!(p[2] > 1e-9)) return false;
      const double iz = 1 / p[2], u = p[0] * iz, v = p[1] * iz, r2 = u * u + v * v;
      const double part = 1 / (1 + r2 * (k[9] + r2 * (k[10] + r2 * k[11])));
      const double radial = (1 + r2 * (k[4] + r2 * (k[5] + r2 * k[8]))) * part;
      const double slope = (k[4] + r2 * (2 * k[5] + r2 * 3 * k[8]) - radial * (k[9] + r2 * (2 * k[10] + r2 * 3 * k[11]))) * part;
      const double xd = u * radial + 2 * k[6] * u * v + k[7] * (r2 + 2 * u * u) + r2 * (k[12] + r2 * k[13]);
      const double yd = v * radial + k[6] * (r2 + 2 * v * v) + 2 * k[7] * u * v + r2 * (k[14] + r2 * k[15]);
      const double cross = 2 * u * v * slope + 2 * k[6] * u + 2 * k[7] * v;
      const double px = 2 * (k[12] + 2 * r2 * k[13]), py = 2 * (k[14] + 2 * r2 * k[15]);
      const double uu = radial + 2 * u * u * slope + 2 * k[6] * v + 6 * k[7] * u + px * u;
      const double uv = cross + px * v, vu = cross + py * u;
      const double vv = radial + 2 * v * v * slope + 6 * k[6] * v + 2 * k[7] * u + py * v;
      const double ex = f[0] * xd + f[2] - o[2], ey = f[1] * yd + f[3] - o[3];
      out[2 * c] = o[4] * ex;
      out[2 * c + 1] = o[5] * ex + o[6] * ey;
      const double dx[3] = {f[0] * uu * iz, f[0] * uv * iz, -f[0] * (uu * u + uv * v) * iz};
      const double dy[3] = {f[1] * vu * iz, f[1] * vv * iz, -f[1] * (vu * u + vv * v) * iz};
      for (int row = 0; row < 2; row++) {
        const double wx = row ? o[5] : o[4], wy = row ? o[6] : 0;
        const size_t r = 2 * c + row;
        V3<double> g = {wx * dx[0] + wy * dy[0], wx * dx[1] + wy * dy[1], wx * dx[2] + wy * dy[2]};
        const V3<double> seen = g;
        if (v_.rolls) {
          const double *w = x[0] + 15, s = v_.read[c];
          g = {seen[0] + s * (seen[1] * w[2] - seen[2] * w[1]), seen[1] + s * (seen[2] * w[0] - seen[0] * w[2]),
               seen[2] + s * (seen[0] * w[1] - seen[1] * w[0])};
        }
        for (int l = 0; l < n; l++) {
          const double* b = x[v_.first[l]];
          double* j = jac[v_.first[l]];
          V3<double> inner;
          if (v_.links[l] == kTransform) {
            const int size = l > 0 || !v_.wanders ? 12 : v_.rolls ? 21 : 15;
            if (j) outer(j + size * r, g, at[l + 1]);
            if (j && size > 12) {
              j += size * r + 12;
              j[0] = wx * k[0] * xd + wy * k[1] * yd, j[1] = wx, j[2] = wy;
              if (v_.rolls) {
                const double s = v_.read[c];
                const V3<double>& q = at[0];
                j[3] = s * (q[1] * seen[2] - q[2] * seen[1]), j[4] = s * (q[2] * seen[0] - q[0] * seen[2]);
                j[5] = s * (q[0] * seen[1] - q[1] * seen[0]);
                for (int i = 0; i < 3; i++) j[6 + i] = s * seen[i];
              }
            }
            inner = rotateBack(b, g);
          } else if (v_.links[l] == kSpin) {
            if (j) j[r] = g[0] * at[l][2] - g[2] * at[l][0];
            inner = {cs[l] * g[0] - sn[l] * g[2], g[1], cs[l] * g[2] + sn[l] * g[0]};
          } else {
            const V3<double> gA = rotateBack(b, g);
            const V3<double> gB = {cs[l] * gA[0] + sn[l] * gA[1], cs[l] * gA[1] - sn[l] * gA[0], gA[2]};
            for (int i = 0; i < 3; i++) inner[i] = b[3 * i] * gB[0] + b[3 * i + 1] * gB[1] + b[3 * i + 2] * gB[2];
            if (j) {
              double* q = j + 12 * r;
              for (int i = 0; i < 3; i++) {
                for (int m = 0; m < 3; m++) q[3 * i + m] = g[i] * after[l][m] + (at[l + 1][i] - b[9 + i]) * gB[m];
                q[9 + i] = g[i] - inner[i];
              }
            }
            if (double* a = jac[v_.first[l] + 1]) a[r] = gA[1] * after[l][0] - gA[0] * after[l][1];
          }
          g = inner;
        }
        if (double* j = jac[v_.camera]) {
          j += 16 * r;
          j[0] = wx * xd * grown, j[1] = wy * yd * grown, j[2] = wx, j[3] = wy;
          const double a = wx * f[0], d = wy * f[1];
          j[4] = (a * u + d * v) * r2 * part;
          j[5] = j[4] * r2;
          j[6] = 2 * a * u * v + d * (r2 + 2 * v * v);
          j[7] = a * (r2 + 2 * u * u) + 2 * d * u * v;
          j[8] = j[5] * r2;
          for (int i = 0; i < 3; i++) j[9 + i] = -radial * j[i < 2 ? 4 + i : 8];
          j[12] = a * r2, j[13] = j[12] * r2, j[14] = d * r2, j[15] = j[14] * r2;
        }
        const double stretched[2] = {shape ? 1 + shape[0] : 1, shape ? 1 + shape[1] : 1};
        if (double* j = jac[v_.camera + 1])
          for (int i = 0; i < 2; i++) j[2 * r + i] = g[i] * o[i] * stretched[i];
        if (double* j = shape ? jac[v_.camera + 2] : nullptr) {
          j += 5 * r;
          const std::array<double, 3> b = v_.bow(o);
          for (int i = 0; i < 2; i++) j[i] = g[i] * o[i] * scale[i];
          for (int i = 0; i < 3; i++) j[2 + i] = g[2] * b[i];
        }
      }
    }
    return true;
  }

  static void outer(double* j, const V3<double>& g, const V3<double>& p) {
    for (int i = 0; i < 3; i++) {
      for (int m = 0; m < 3; m++) j[3 * i + m] = g[i] * p[m];
      j[9 + i] = g[i];
    }
  }
  static V3<double> rotateBack(const double* b, const V3<double>& g) {
    V3<double> out;
    for (int i = 0; i < 3; i++) out[i] = b[i] * g[0] + b[3 + i] * g[1] + b[6 + i] * g[2];
    return out;
  }
  BoardView v_;
};

struct Prior {
  Residual r;

  template <typename T>
  bool operator()(T const* const* x, T* out) const {
    const T* b = x[0];
    const std::string& kind = r.kind;
    if (kind == "mount") {
      const double tilt = r.one("tilt"), offset = r.one("offset");
      out[0] = b[2] / tilt, out[1] = b[8] / tilt;
      out[2] = b[9] / offset, out[3] = (b[10] - r.one("standoff")) / r.one("standoff_u"), out[4] = b[11] / offset;
    } else if (kind == "level") {
      const double tilt = r.one("tilt");
      out[0] = b[2] / tilt, out[1] = b[5] / tilt, out[2] = (b[11] - r.one("height")) / r.one("sigma");
    } else if (kind == "same-level") {
      const double tilt = r.one("tilt");
      const T* a = x[1];
      out[0] = (a[2] - b[2]) / tilt, out[1] = (a[5] - b[5]) / tilt, out[2] = (a[11] - b[11]) / r.one("sigma");
    } else if (kind == "steer") {
      const std::vector<double>& at = r.list("at", 3);
      V3<T> q = carryBack(b, V3<T>{T(at[0]), T(at[1]), T(at[2])});
      out[0] = b[6] / r.one("tilt"), out[1] = b[7] / r.one("tilt");
      out[2] = q[0] / r.one("offset"), out[3] = q[1] / r.one("offset");
    } else if (kind == "prior") {
      const std::vector<double>& mean = r.numbers.at("mean");
      const int n = static_cast<int>(mean.size());
      const std::vector<double>& white = r.list("white", static_cast<size_t>(r.rows) * n);
      for (int i = 0; i < r.rows; i++) {
        out[i] = T(0);
        for (int k = 0; k < n; k++) out[i] += white[n * i + k] * (b[k] - mean[k]);
      }
    } else if (kind == "wander") {
      const double u[3] = {r.one("focal"), r.one("centre"), r.one("centre")};
      for (int i = 0, row = 0; i < 3; i++)
        if (u[i] > 0) out[row++] = b[12 + i] / u[i];
    } else if (kind == "drift") {
      for (int i = 0, row = 0; i < 6; i++) {
        const double u = i < 3 ? r.one("turn") : r.one("shift");
        if (u > 0) out[row++] = b[15 + i] / u;
      }
    } else if (kind == "same") {
      out[0] = (x[1][0] - x[0][0]) / r.one("sigma");
    } else if (kind == "centreline") {
      const double s = 2 * r.one("sigma");
      out[0] = (x[0][10] + x[1][10]) / s, out[1] = (x[2][9] + x[3][9]) / s, out[2] = (x[2][10] + x[3][10]) / s;
    } else {
      fail("unknown residual " + kind);
    }
    return true;
  }
};

template <typename F>
ceres::CostFunction* automatic(F* f, const std::vector<int>& sizes, int rows) {
  auto* cost = new ceres::DynamicAutoDiffCostFunction<F, 8>(f);
  for (int s : sizes) cost->AddParameterBlock(s);
  cost->SetNumResiduals(rows);
  return cost;
}

ceres::LossFunction* lossOf(const Residual& r) {
  if (r.loss.empty()) return nullptr;
  if (r.loss == "huber") return new ceres::HuberLoss(r.width);
  if (r.loss == "cauchy") return new ceres::CauchyLoss(r.width);
  if (r.loss == "tukey") return new ceres::TukeyLoss(r.width);
  fail("unknown loss " + r.loss);
}

double cpu() {
  rusage u;
  getrusage(RUSAGE_SELF, &u);
  auto seconds = [](const timeval& t) { return static_cast<double>(t.tv_sec) + 1e-6 * static_cast<double>(t.tv_usec); };
  return seconds(u.ru_utime) + seconds(u.ru_stime);
}

double wall() {
  return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}

}  // namespace

int main(int argc, char** argv) {
  google::InitGoogleLogging(argv[0]);
  std::string path, solver = "dense";
  int threads = 1;
  bool analytic = false;
  double tolerance = 1e-15;
  for (int i = 1; i < argc; i++) {
    const std::string a = argv[i];
    if (a == "--analytic") analytic = true;
    else if (a == "--threads" && i + 1 < argc) threads = std::atoi(argv[++i]);
    else if (a == "--solver" && i + 1 < argc) solver = argv[++i];
    else if (a == "--tolerance" && i + 1 < argc) tolerance = std::atof(argv[++i]);
    else if (path.empty() && a[0] != '-') path = a;
    else fail("unknown argument " + a);
  }
  std::vector<Block> blocks;
  std::vector<Residual> residuals;
  read(path, blocks, residuals);

  ceres::Problem problem;
  auto order = std::make_unique<ceres::ParameterBlockOrdering>();
  for (Block& b : blocks) {
    ceres::Manifold* m = nullptr;
    if (b.manifold != "space") m = new Transform(b.manifold, static_cast<int>(b.x.size()), b.held);
    else if (!b.held.empty()) m = new ceres::SubsetManifold(static_cast<int>(b.x.size()), b.held);
    problem.AddParameterBlock(b.x.data(), static_cast<int>(b.x.size()), m);
    if (b.constant) problem.SetParameterBlockConstant(b.x.data());
    order->AddElementToGroup(b.x.data(), b.eliminate ? 0 : 1);
  }
  for (const Residual& r : residuals) {
    std::vector<double*> x;
    std::vector<int> sizes;
    for (int b : r.blocks) x.push_back(blocks[b].x.data()), sizes.push_back(static_cast<int>(blocks[b].x.size()));
    if (r.kind != "board-view") {
      if (!r.loss.empty()) fail("a loss on " + r.kind + " is not known here");
      problem.AddResidualBlock(automatic(new Prior{r}, sizes, r.rows), nullptr, x);
      continue;
    }
    // Ceres' losses act on whole residual blocks.
    const size_t n = r.corners.size(), step = r.loss.empty() || !r.together.empty() ? n : static_cast<size_t>(r.group) / 2;
    for (size_t c = 0; c < n; c += step) {
      const BoardView v(r, c, c + step);
      ceres::CostFunction* cost = analytic ? new FastBoardView(v, sizes) : automatic(new BoardView(v), sizes, v.rows());
      problem.AddResidualBlock(cost, lossOf(r), x);
    }
  }

  ceres::Solver::Options o;
  o.linear_solver_type = solver == "sparse" ? ceres::SPARSE_SCHUR : ceres::DENSE_SCHUR;
  o.linear_solver_ordering = std::move(order);
  o.num_threads = threads;
  o.max_num_iterations = 1000;
  o.function_tolerance = tolerance;
  o.gradient_tolerance = 0;
  o.parameter_tolerance = 1e-15;
  o.logging_type = ceres::SILENT;
  ceres::Covariance::Options co;
  co.num_threads = threads;
  ceres::Covariance covariance(co);
  std::vector<const double*> hubs;
  std::vector<int> which;
  std::vector<std::pair<const double*, const double*>> pairs;
  size_t columns = 0;
  for (size_t i = 0; i < blocks.size(); i++) {
    if (blocks[i].manifold != "hub" || blocks[i].constant) continue;
    hubs.push_back(blocks[i].x.data());
    which.push_back(static_cast<int>(i));
    columns += 5 - blocks[i].held.size();
  }
  for (size_t a = 0; a < hubs.size(); a++)
    for (size_t b = a; b < hubs.size(); b++) pairs.emplace_back(hubs[a], hubs[b]);

  const double w0 = wall(), c0 = cpu();
  ceres::Solver::Summary s;
  ceres::Solve(o, &problem, &s);
  if (!s.IsSolutionUsable()) fail(s.message);
  const double w1 = wall(), c1 = cpu();
  if (!covariance.Compute(pairs, &problem)) fail("no covariance");
  std::vector<double> c(columns * columns);
  if (!covariance.GetCovarianceMatrixInTangentSpace(hubs, c.data())) fail("no covariance of the hubs");
  const double w2 = wall(), c2 = cpu();

  std::printf("cost %.17g %.17g\n", s.initial_cost, s.final_cost);
  std::printf("seconds %.6f %.6f\n", w2 - w0, c2 - c0);
  std::fprintf(stderr, "solve %.3f s (%.3f s of processors), covariance %.3f s (%.3f s), %s\n", w1 - w0, c1 - c0, w2 - w1, c2 - c1, s.BriefReport().c_str());
  for (size_t i = 0; i < blocks.size(); i++) {
    std::printf("value %zu", i);
    for (double v : blocks[i].x) std::printf(" %.17g", v);
    std::printf("\n");
  }
  std::printf("hubs");
  for (int b : which) std::printf(" %d", b);
  std::printf("\ncovariance");
  for (double v : c) std::printf(" %.17g", v);
  std::printf("\n");
}
